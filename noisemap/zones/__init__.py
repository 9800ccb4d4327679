"""Zones: what a restriction spares at the homes, beside what it asks of the brakes."""
