"""A teacher's own study of learning: planned, blinded, sealed, and analysed."""
