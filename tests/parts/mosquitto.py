"""Fixtures around a real mosquitto."""
