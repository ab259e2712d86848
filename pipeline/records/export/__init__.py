"""Reviewed readings as standard objects, tables for researchers and pages for people."""
