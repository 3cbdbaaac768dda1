"""HTTP, storage and the clock of wrench-drift."""
