"""Turn bytes on a serial port into indications."""
