"""A sitting of a person with a probe and some glasses: calibrating it, or checking it.

`sitting.py` is the pure state machine, `dip.py` one immersion, `view.py` what is shown; `sources.py` brings readings,
`keys.py` answers, `screen.py` draws, `drive.py` runs the three together; `calibrating.py` and `verifying.py` say what
becomes of the points, `storing.py` keeps it.
"""
