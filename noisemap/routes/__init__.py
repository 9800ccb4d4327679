"""Quiet descents and quiet routes: what the drives of a truck leave at the homes."""
