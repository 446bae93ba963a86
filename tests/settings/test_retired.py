"""A configuration that names what is no more loads all the same, and says what became of it."""

from pathlib import Path

import pytest

from logger.config import RETIRED, AlarmKind, Config
from logger.settings import config_hash
from logger.settings.retired import CLAIMS, LIMITS
from tests.settings.files import PROBE, STORE, VAT, WHOLE, complaints, loaded

AIR = (
    "[vat.v.alarm.out-of-liquid] is no longer an alarm of its own: a probe in air is told by trust-lost;"
    " remove the table, and write [vat.v.alarm.trust-lost] to tune that"
)
WINDOW = (
    "witness_window_s below [probe.p.limits] is no longer a limit: trust in a probe is judged by what its own vat"
    " usually does; remove the line"
)


def alarms(config: Config) -> set[str]:
    return {alarm.id for alarm in config.vats[0].alarms}


def same(file: Path, text: str, plain: str = WHOLE, **environ: str) -> Config:
    """Load a text, and see that it means what the plain one means."""
    expected = config_hash(loaded(file, plain))
    config = loaded(file, text, **environ)
    assert config_hash(config) == expected
    return config


def test_what_is_retired_is_retired() -> None:
    assert not RETIRED.keys() & {str(kind) for kind in AlarmKind}


def test_an_alarm_that_is_no_more_is_left_out_and_told(file: Path) -> None:
    config = same(file, WHOLE + "[vat.v.alarm.out-of-liquid]\non_delay_s = 300\n")
    assert config.retired == (AIR,)
    assert "out-of-liquid" not in alarms(config)
    assert "trust-lost" in alarms(config)


def test_nothing_is_told_of_a_configuration_of_today(file: Path) -> None:
    assert loaded(file, WHOLE + "[vat.v.alarm.trust-lost]\nreminder_s = 900\n").retired == ()


def test_what_was_once_out_of_bounds_there_is_no_problem_any_more(file: Path) -> None:
    assert same(file, WHOLE + '[vat.v.alarm.out-of-liquid]\non_delay_s = "ten"\nodd = {}\n').retired == (AIR,)
    assert same(file, WHOLE + "[vat.v.alarm]\nout-of-liquid = 5\n").retired == (AIR,)


@pytest.mark.parametrize("limit", sorted(LIMITS))
def test_a_limit_that_is_no_more_is_left_out_and_told(file: Path, limit: str) -> None:
    config = same(file, STORE + PROBE + f"[probe.p.limits]\n{limit} = 1.0\n" + VAT)
    assert config.retired == (WINDOW.replace("witness_window_s", limit),)


@pytest.mark.parametrize(("key", "became"), CLAIMS.items())
def test_what_a_claim_asked_for_and_does_no_more_is_left_out_and_told(file: Path, key: str, became: str) -> None:
    target, line = "[vat.v.target]\nph = 4.4\n", f"{key} = 12\n"
    config = same(file, WHOLE + target + line, WHOLE + target)
    assert config.retired == (f"{key} below [vat.v.target] is no longer a setting: {became}; remove the line",)
    own = '[profile.beets]\nbase = "kombucha"\n[profile.beets.target]\n'
    of_profile = WHOLE + 'profile = "beets"\n' + own
    (sentence,) = same(file, of_profile + line, of_profile).retired
    assert sentence.startswith(f"{key} below [profile.beets.target] is no longer")
    (sentence,) = same(
        file, WHOLE + target, WHOLE + target, **{f"VATVIGIL_VAT__V__TARGET__{key.upper()}": "12"}
    ).retired
    assert sentence.startswith(f"environment VATVIGIL_VAT__V__TARGET__{key.upper()}: {key} below [vat.v.target]")


def test_the_other_limits_stay(file: Path) -> None:
    text = STORE + PROBE + "[probe.p.limits]\njump_mv = 25\nwitness_window_s = 600\n" + VAT
    config = loaded(file, text)
    assert (config.probes[0].limits.jump_mv, config.retired) == (25, (WINDOW,))


def test_an_alarm_of_the_user_s_own_name_is_left_out_by_its_kind(file: Path) -> None:
    (sentence,) = same(file, WHOLE + '[vat.v.alarm.shaky]\nkind = "erratic"\n').retired
    assert sentence.startswith("[vat.v.alarm.shaky] is no longer an alarm of its own: a loose contact, a jump")


def test_a_name_that_is_no_kind_any_more_may_name_an_alarm_of_another_kind(file: Path) -> None:
    config = loaded(file, WHOLE + '[vat.v.alarm.erratic]\nkind = "rate-of-change"\n')
    assert (config.retired, "erratic" in alarms(config)) == ((), True)


def test_a_profile_s_alarm_is_left_out_with_what_a_vat_writes_over_it(file: Path) -> None:
    profile = '[profile.barrel]\nbase = "vinegar"\n'
    vat = STORE + PROBE + VAT + 'profile = "barrel"\n'
    own = '[profile.barrel.alarm.shaky]\nkind = "erratic"\n[profile.barrel.alarm.out-of-liquid]\n'
    config = same(file, vat + "[vat.v.alarm.shaky]\non_delay_s = 900\n" + profile + own, vat + profile)
    told = [sentence.partition(" ")[0] for sentence in config.retired]
    assert told == ["[profile.barrel.alarm.shaky]", "[profile.barrel.alarm.out-of-liquid]", "[vat.v.alarm.shaky]"]


def test_the_environment_may_name_them_too(file: Path) -> None:
    config = same(
        file,
        WHOLE,
        VATVIGIL_VAT__V__ALARM__OUT_OF_LIQUID__ON_DELAY_S="300",
        VATVIGIL_PROBE__P__LIMITS__WITNESS_WINDOW_S="600",
    )
    assert config.retired == (
        f"environment VATVIGIL_PROBE__P__LIMITS__WITNESS_WINDOW_S: {WINDOW}",
        f"environment VATVIGIL_VAT__V__ALARM__OUT_OF_LIQUID__ON_DELAY_S: {AIR}",
    )


def test_the_environment_over_an_alarm_that_is_no_more_is_left_out_with_it(file: Path) -> None:
    text = WHOLE + '[vat.v.alarm.shaky]\nkind = "erratic"\n'
    assert len(same(file, text, VATVIGIL_VAT__V__ALARM__SHAKY__ON_DELAY_S="9").retired) == 1


def test_the_environment_may_give_an_alarm_another_kind(file: Path) -> None:
    text = WHOLE + '[vat.v.alarm.shaky]\nkind = "erratic"\n'
    config = loaded(file, text, VATVIGIL_VAT__V__ALARM__SHAKY__KIND="rate-of-change")
    assert (config.retired, "shaky" in alarms(config)) == ((), True)


def test_a_mistyped_name_is_a_problem_and_no_retired_one_is_suggested(file: Path) -> None:
    (sentence,) = complaints(file, STORE + PROBE + "limits.witnes_window_s = 600\n" + VAT)
    assert "there is no such key" in sentence
    assert "witness_window_s" not in sentence
