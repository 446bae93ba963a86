"""vatvigil: the night watch over a fermenting vat. Start reading at `pipeline.py`."""
