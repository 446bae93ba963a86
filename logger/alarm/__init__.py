"""Pure: what is abnormal, for how long, and what a person has been told."""
