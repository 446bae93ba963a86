"""JSON Schemas of every payload, shipped with the package."""
