"""Film files in: finding them, reading them, saying plainly what is wrong with one."""
