"""Passes made audible: illustrations at a stated calibration, never measurements."""
