"""The study file and the one pipeline that runs it."""
