"""Fixtures around a real simulator."""
