"""Roadside inspection: readings to verdicts, recordings to events, readings to the fleet."""
