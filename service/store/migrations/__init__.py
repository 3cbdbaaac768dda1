"""Every change of the schema since the first, in order."""
