"""Practice: a virtual patient, a mis-set film, and the moves that make it square."""
