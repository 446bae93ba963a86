"""Demonstrate every part of the night watch within a minute. Nothing in it is a measurement."""
