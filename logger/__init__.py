"""vatvigil: the night watch over a fermenting vat. Start reading at `watch/pipeline.py`."""
