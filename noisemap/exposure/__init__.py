"""Levels at homes: passes of vehicles times the transfer store."""
