"""Fixtures around a real postgres."""
