"""How does one work without a terminal? A page in the browser, served to this machine alone."""
