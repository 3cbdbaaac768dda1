"""What goes over the wire, as pydantic models: one module a resource.

A class ending in `Input` is a body that a caller sends: strict, and closed to fields it does not
name. A class ending in `Answer` is what the service sends back, built from a record by `of`.
"""
