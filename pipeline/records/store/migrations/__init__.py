"""Migrations of the store, run when a store is opened."""
