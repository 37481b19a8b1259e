"""Foreign files in: the only code that reads them. One file a format, one registry."""
