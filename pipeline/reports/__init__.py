"""Reports of what was read: per film, study, operator code and period, as pages and documents."""
