"""Files in, plain tables and arrays out; nothing here knows about noise."""
