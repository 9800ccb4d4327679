"""Formats what a study found: tables, layers, the offline map, the report and its PDF."""
