"""The place: terrain, roads, homes, ground and obstacles in one metric coordinate system."""
