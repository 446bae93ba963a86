"""Guide a person with a probe and some glasses of buffer through a calibration or a check.

`state_machine.py` is the pure state machine, `immersion.py` one immersion, `view.py` what is shown;
`reading_source.py` brings readings, `keys.py` answers, `screen.py` draws, `loop.py` runs the three together;
`calibrating.py` and `verifying.py` say what becomes of the points, `storing.py` keeps it.
"""
