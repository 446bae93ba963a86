"""Explain the belief in any past record from what is stored. Law: word for word what was said when it came."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Self

from logger.alarm import belief_words
from logger.alarm.belief_words import Evidence
from logger.config import PeopleConfig
from logger.model import Calibration, Check, Measurements
from logger.store import Store, queries


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceIndex:
    """Calibrations and checks by their ids: what records name."""

    calibrations: Mapping[int, Calibration]
    checks: Mapping[int, Check]
    people: PeopleConfig = field(default_factory=PeopleConfig)
    """Whose time the sentences say."""

    @classmethod
    def of(
        cls, calibrations: Iterable[Calibration], checks: Iterable[Check], *, people: PeopleConfig | None = None
    ) -> Self:
        """Return the index of these."""
        by_id, checks_by_id = {one.id: one for one in calibrations}, {one.id: one for one in checks}
        return cls(calibrations=by_id, checks=checks_by_id, people=people or PeopleConfig())

    @classmethod
    def read(cls, store: Store, probes: Iterable[str], *, people: PeopleConfig | None = None) -> Self:
        """Return all there is of these probes."""
        ids = list(probes)
        calibrations = [one.calibration for probe in ids for one in queries.calibrations(store, probe)]
        return cls.of(calibrations, [check for probe in ids for check in queries.checks(store, probe)], people=people)

    def sentence(self, rows: Measurements, row: int) -> str:
        """Say what was made of a record, and why."""
        evidence = Evidence(
            calibration=self.calibrations.get(int(rows.calibration[row])),
            check=self.checks.get(int(rows.check[row])),
            spot=self.checks.get(int(rows.spot[row])),
            people=self.people,
        )
        return belief_words.sentence(rows, evidence, row=row)
