"""Decide what is abnormal and for how long, and what a person is told of it. Pure."""
