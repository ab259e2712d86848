"""A whole archive read once: sources of films, the engine, and what it keeps in the store."""
