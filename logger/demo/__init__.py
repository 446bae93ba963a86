"""The demonstration: every part of the night watch, started for a minute. Nothing in it is a measurement."""
