"""The packaged trucks."""
