"""The REST API: one controller a resource, and one module for each matter that crosses them all."""
