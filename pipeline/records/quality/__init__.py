"""Drift in positioning: control charts of readings over time, and what was rejected and why."""
