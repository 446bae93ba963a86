"""A vat, an electrode and an instrument that behave like real ones; meets `logger` only at the wire."""
