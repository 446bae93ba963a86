"""Report from the store to people and programs: the status, the log as CSV or as a recording."""
