"""How far readings are from the truth."""
