"""Compute what the converter holds at any second of a run, from vat, room, electrode, noise and faults.

Law: the reading at a second of run time depends on the run, the seed, that second and the operator's commands alone.
The converter makes one conversion a second: two requests within one second get the same values.
"""

from dataclasses import dataclass

import numpy as np

from simulator import electrode as physics
from simulator.effects import Scene, Signal, Stage, changed_signal, followed_ph
from simulator.faults import Fault, FaultPeriod, Floats, Ints, frozen_second, is_active
from simulator.noise import Noise, Stream
from simulator.operator import RESTLESS_MV, RESTLESS_PERIOD_S, OperatorState, SensedValues, execute
from simulator.operator_actions import dilutions
from simulator.runs import Run
from simulator.vat import Course, course, draw_vat, first_order_lag, pulse_response

LIFT_TAU_S = 90.0
"""Bulb and film take the air's temperature, and back, this slowly (first order)."""
KNOCK_TAU_S = 1.0
KNOCK_HELD_S = 8
FILM_NOISE_MV = 6.0
FILM_WANDER_PH = 0.28
FILM_SHIFT_PH = 0.3
DRAUGHT_C = 0.25
SPIKE_PH = 0.4
CALIBRATED_DAY = -1.0
"""The person calibrated a day before the run began."""
BUFFERS_PH = (4.01, 6.86, 9.18)
"""Standard buffers at 25 C, as their values are rounded in JIS Z 8802."""
BUFFER_HALF_WIDTH_PH = 0.02
BATH_C = 25.0


@dataclass(frozen=True, slots=True)
class Conversions:
    """What the converter holds: potential in mV, temperature in C; infinity: overrange; NaN: no value."""

    potential_mv: Floats
    temperature_c: Floats


class Rig:
    """One run with one seed."""

    def __init__(self, run: Run, seed: int) -> None:
        """Compute the vat's course from its filling to the end of the run."""
        self.run, self.seed, self.noise = run, seed, Noise(seed)
        effects = (*run.disturbances, *run.faults)
        self.events = (*run.events, *(period for one in effects for period in one.periods))
        vat = draw_vat(run.vat, self.noise) if run.scattered else run.vat
        self.course: Course = course(
            vat,
            run.room,
            hours=run.hours + 2.0,
            start_hour=run.start_hour,
            dilutions=dilutions(run.actions),
            interventions=[each for one in effects for each in one.interventions],
        )
        step_s = float(self.course.hours[1] - self.course.hours[0]) * 3600.0
        self.operator = OperatorState()
        lagged = first_order_lag(self.course.ph, step_s, tau=run.electrode.tau_s)
        self._vat_membrane_ph = followed_ph(lagged, self.course.hours, effects)
        self._bulb_signal = self._changed(self._bulb_in_vat_c, Stage.BULB_C)
        self._membrane_signal = self._changed(self._membrane_in_vat_ph, Stage.MEMBRANE_PH)
        self._cell_signal = self._changed(self._cell_mv, Stage.POTENTIAL_MV)
        self._thermometer_signal = self._changed(self._thermometer_c, Stage.THERMOMETER_C)
        self._shown_c_signal = self._changed(self._temperature, Stage.SHOWN_C)
        self._shown_mv_signal = self._changed(self._potential, Stage.SHOWN_MV)

    def _changed(self, plain: Signal, stage: Stage) -> Signal:
        scene = Scene(
            size=0.0,
            start_s=0,
            noise=self.noise,
            electrode=self.run.electrode,
            room_c=lambda second: self._at(self.course.room_c, second),
            bulb_c=self.bulb_c,
            shown_c=self._temperature_shown,
        )
        return changed_signal(plain, stage, (*self.run.disturbances, *self.run.faults), scene=scene)

    def is_active(self, fault: Fault, second: float) -> bool:
        """Tell whether a fault is active at this second of run time."""
        return bool(is_active(self.events, fault, second))

    def conversions(self, second: Ints) -> Conversions:
        """Return what the converter holds at whole seconds of run time."""
        events = self.events
        thermometer = frozen_second(events, (Fault.FROZEN,), second)
        cell = frozen_second(events, (Fault.FROZEN, Fault.FROZEN_POTENTIAL), second)
        potential = np.where(is_active(events, Fault.OVERRANGE, second), np.inf, self._shown_mv_signal(cell))
        temperature = np.where(
            is_active(events, Fault.NO_TEMPERATURE, second), np.nan, self._temperature_shown(thermometer)
        )
        return Conversions(potential, temperature)

    def _weight(self, fault: Fault, second: Ints, *, tau_s: float) -> Floats:
        """Return the effect of a fault, 0 to 1: it comes and goes as a first-order response."""
        hours, tau_h = second / 3600.0, tau_s / 3600.0
        chosen: list[FaultPeriod] = [event for event in self.events if event.fault is fault]
        pulses = [pulse_response(hours, event.start_h, event.end_h, tau_h=tau_h) for event in chosen]
        return np.asarray(np.sum(pulses, axis=0)) if pulses else np.zeros(second.shape)

    def _at(self, values: Floats, second: Ints) -> Floats:
        return np.interp(second / 3600.0, self.course.hours, values)

    def execute(self, line: str, second: int) -> None:
        """Execute one line from standard input at a second of run time. Raises OperatorCommandError."""
        at = np.array([second])
        sensed = SensedValues(second=second, ph=float(self.membrane_ph(at)[0]), temperature_c=float(self.bulb_c(at)[0]))
        self.operator = execute(self.operator, line, sensed)

    def bulb_c(self, second: Ints) -> Floats:
        """Return the temperature at the bulb in C."""
        return self.operator.bulb_c(second, self._bulb_signal)

    def membrane_ph(self, second: Ints) -> Floats:
        """Return the pH at the membrane."""
        return self.operator.ph(second, self._membrane_signal, tau_s=self.run.electrode.tau_s)

    def _bulb_in_vat_c(self, second: Ints) -> Floats:
        """Return the temperature at the bulb in C: the vat's, or the room's when the probe hangs in air."""
        vat, room = self._at(self.course.temperature_c, second), self._at(self.course.room_c, second)
        draught = DRAUGHT_C * self.noise.wander(Stream.DRAUGHT, second, period_s=60)
        out = self._weight(Fault.OUT_OF_LIQUID, second, tau_s=LIFT_TAU_S)
        return np.asarray(vat + out * (room + draught - vat))

    def _membrane_in_vat_ph(self, second: Ints) -> Floats:
        """Return the pH at the membrane: the vat's, less its lag, or what a fault puts in its place."""
        ph, noise = self._at(self._vat_membrane_ph, second), self.noise
        spikes = np.where(np.abs(chance := noise.normal(Stream.STIRRING, second)) > 1.0, np.sign(chance), 0.0)
        ph = ph + SPIKE_PH * spikes * is_active(self.events, Fault.STIRRED, second)
        film = FILM_SHIFT_PH + FILM_WANDER_PH * noise.wander(Stream.FILM_WANDER, second, period_s=420)
        ph = ph + film * self._weight(Fault.OUT_OF_LIQUID, second, tau_s=LIFT_TAU_S)
        wild = np.clip(6.0 + 2.0 * noise.piecewise_constant(Stream.KNOCK, second, period_s=KNOCK_HELD_S), 2.1, 9.8)
        return np.asarray(ph + (wild - ph) * self._weight(Fault.KNOCKED, second, tau_s=KNOCK_TAU_S))

    def _potential(self, second: Ints) -> Floats:
        return physics.quantised(self._cell_signal(second), 10)

    def _cell_mv(self, second: Ints) -> Floats:
        cell, noise = self.operator.current_electrode(self.run.electrode), self.noise
        film = FILM_NOISE_MV * self._weight(Fault.OUT_OF_LIQUID, second, tau_s=LIFT_TAU_S)
        clean = physics.potential_mv(
            cell, self.membrane_ph(second), temperature_c=self.bulb_c(second), day=second / 86400.0
        )
        white = (cell.noise_mv + film) * noise.normal(Stream.POTENTIAL, second)
        slow = cell.wander_mv * noise.wander(Stream.WANDER, second, period_s=900)
        return np.asarray(clean + white + slow + self._restless_mv(second))

    def _restless_mv(self, second: Ints) -> Floats | float:
        if not self.operator.is_restless:
            return 0.0
        swell = np.sin(2.0 * np.pi * second / RESTLESS_PERIOD_S)
        return RESTLESS_MV * (swell + self.noise.wander(Stream.RESTLESS, second, period_s=300))

    def _temperature(self, second: Ints) -> Floats:
        return physics.quantised(self._thermometer_signal(second), 100)

    def _temperature_shown(self, second: Ints) -> Floats:
        return self._shown_c_signal(second)

    def _thermometer_c(self, second: Ints) -> Floats:
        white = self.run.electrode.thermometer_noise_c * self.noise.normal(Stream.THERMOMETER, second)
        return self.bulb_c(second) + white

    def buffer_readings(self) -> Conversions:
        """Return what a person read in the three buffers, a day before the run; their pH is not quite nominal."""
        index = np.arange(len(BUFFERS_PH))
        true_ph = np.array(BUFFERS_PH) + np.clip(
            0.5 * BUFFER_HALF_WIDTH_PH * self.noise.normal(Stream.BUFFERS, index),
            -BUFFER_HALF_WIDTH_PH,
            BUFFER_HALF_WIDTH_PH,
        )
        bath = np.full(index.shape, BATH_C)
        clean = physics.potential_mv(self.run.electrode, true_ph, temperature_c=bath, day=CALIBRATED_DAY)
        before = index - 86400
        white = self.run.electrode.noise_mv * self.noise.normal(Stream.POTENTIAL, before)
        return Conversions(physics.quantised(clean + white, 10), bath)
