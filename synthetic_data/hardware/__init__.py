"""Implants, hardware and instruments: invented generic shapes, no maker's design."""
