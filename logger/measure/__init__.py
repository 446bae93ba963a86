"""Compute from millivolts a result with a quality and an uncertainty. Pure."""
