"""Bytes on a serial port <-> indications."""
