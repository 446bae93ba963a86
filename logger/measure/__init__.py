"""Pure: from millivolts to a result with a quality and an uncertainty."""
