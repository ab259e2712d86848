"""Targets proposed for a person to review, never for guidance."""
