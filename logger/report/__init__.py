"""What people and other programs are given of the store: the picture of now, the log as CSV or as a recording."""
