"""Squareon: is a knee film square on, and if not, which way and by how much?"""
