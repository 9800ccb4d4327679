"""What the sound means for people: indicators, awakenings, annoyance, criteria, passes."""
