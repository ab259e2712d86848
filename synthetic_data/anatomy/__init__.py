"""Sources of three-dimensional knees."""
