"""Where numbered tasks run: here, in a pool, on a scheduler, or as shares of a queue."""
