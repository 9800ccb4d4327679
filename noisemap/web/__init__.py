"""The local page: one study after another in a browser, served to this machine alone."""
