"""Conversion factors between the units that code and records use. Times are whole microseconds (`_us`).

Times are integers in the model and in the database: no time zones to lose, no conversion in the hot path.
"""

SECOND_US = 1_000_000
MINUTE_US = 60 * SECOND_US
HOUR_US = 3_600 * SECOND_US
DAY_US = 24 * HOUR_US
