"""The message of the newest measurement, against its schema."""

from logger.alarm.belief_words import Evidence
from logger.mqtt.measurement import measurement_message
from tests.mqtt.factories import TOPICS, measurements, read_payload

NAN = float("nan")


def test_a_measurement_tells_ph_with_its_expanded_uncertainty() -> None:
    message = measurement_message(
        TOPICS, "marrow", probe="marrow-probe", rows=measurements(), evidence=Evidence(), expiry_s=30
    )
    assert (message.topic, message.retain, message.expiry_s) == ("vatvigil/vat/marrow/measurement", False, 30)
    # U = k u with k = 2: JCGM 100:2008, 6.2.1
    assert read_payload(message.payload, "measurement") == {
        "vat": "marrow",
        "probe": "marrow-probe",
        "at": "2026-11-25T02:10:00.123456Z",
        "ph": 4.7123,
        "expanded_uncertainty_ph": 0.122,
        "coverage_factor": 2,
        "temperature_c": 20.125,
        "quality": "pass",
        "calibration": 3,
        "belief": "believed",
        "verdict_since": "2026-11-25T02:10:00.123456Z",
        "verdict": "Believed: nothing speaks against the probe",
        "simulated": False,
    }


def test_what_is_not_known_is_null() -> None:
    rows = measurements(ph=NAN, u=NAN, temperature_c=NAN, quality=9, calibration=0)
    content = read_payload(
        measurement_message(TOPICS, "marrow", probe="p", rows=rows, evidence=Evidence()).payload, "measurement"
    )
    assert {key for key, value in content.items() if value is None} == {
        "ph",
        "expanded_uncertainty_ph",
        "temperature_c",
        "calibration",
    }
    assert content["quality"] == "missing"
