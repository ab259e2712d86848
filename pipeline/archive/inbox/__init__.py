"""Films that others push: kept in an inbox folder, from which they are read like any folder."""
