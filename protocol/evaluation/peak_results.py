"""What the kind `peaks` answers: the body of its evaluations."""

from typing import Literal

from pydantic import Field

from luggin.protocol.evaluation.peak_settings import Polarity
from luggin.protocol.program import Frozen


class PeakBaseline(Frozen):
    """The baseline under one peak: corner points, potentials in V (scan order) and currents in A."""

    kind: str
    potential: tuple[float, ...]
    current: tuple[float, ...]


class Peak(Frozen):
    """One peak. Currents keep their sign: `height` and `area` of a cathodic peak are negative.

    potential: peak potential E_p, V; height: peak current i_p above the baseline, A; area: integral of the current
    above the baseline over the potential, A V; charge: area over scan rate, C, where the scan rate is known;
    half_width: W_1/2, V; half_peak_potential: E_p/2 on the side that the scan comes from, V; asymmetry: width at half
    height behind the top over that before it, in scan order; u_potential, u_height: standard uncertainties from
    the noise and the baseline. A value that the curve doesn't give is None. shape "shoulder": no top of its own,
    the potential is that of the strongest bend; overlapped: it shares its feet with a neighbour, which adds to its
    height unless the settings ask for overlapping peaks to be resolved; notes: what makes the values doubtful.
    """

    polarity: Polarity
    potential: float
    height: float
    area: float
    charge: float | None
    half_width: float | None
    half_peak_potential: float | None
    asymmetry: float | None
    u_potential: float
    u_height: float
    shape: Literal["peak", "shoulder"]
    overlapped: bool
    baseline: PeakBaseline
    by_hand: bool = False
    notes: tuple[str, ...] = ()


class Place(Frozen):
    """A peak of the body: the sweep, counted from 1, and the peak's place in its list, counted from 0."""

    sweep: int
    peak: int


class Sweep(Frozen):
    """The peaks of one sweep in order of potential, and how far they can be trusted.

    first, after: the run's points [first, after) by index; direction: +1 where the potential rises; noise: standard
    deviation of a point, A; scan_rate in V/s; notes: above all why there is no peak.
    """

    number: int = Field(description="counted from 1")
    first: int
    after: int
    cycle: int | None
    direction: Literal[-1, 0, 1]
    noise: float | None
    scan_rate: float | None
    points_used: int
    points_ignored: int
    peaks: tuple[Peak, ...]
    notes: tuple[str, ...] = ()


class Couple(Frozen):
    """An anodic and a cathodic peak that belong together, in one cycle.

    half_wave_potential: mean of the two peak potentials, E_1/2 of a reversible couple (V); separation:
    E_pa - E_pc (V); height_ratio: height on the return scan over that on the forward scan, both above their own
    baseline; u_...: standard uncertainties.
    """

    cycle: int | None
    forward: Polarity
    anodic: Place
    cathodic: Place
    half_wave_potential: float
    u_half_wave_potential: float
    separation: float
    u_separation: float
    height_ratio: float
    u_height_ratio: float


class AnalytePeak(Frozen):
    """Whose peak it is, in one sweep.

    status: "found", "missing" (no peak in the window), "ambiguous" (another choice was possible; `note` says
    which), "no-marker" (the marker was not found, so there was no window). window: absolute, V.
    """

    analyte: str
    sweep: int
    status: Literal["found", "missing", "ambiguous", "no-marker"]
    peak: int | None
    window: tuple[float, float] | None
    note: str | None = None


class OhmicCorrection(Frozen):
    """Resistance (ohm) that the potentials are corrected for: by the instrument while it measured, and afterwards.

    Stored points are never changed: a correction always begins from what was measured.
    """

    by_instrument: float = 0.0
    subtracted: float = 0.0


class PeaksBody(Frozen):
    """All sweeps in order, couples cycle by cycle, analytes sweep by sweep, and peaks that belong to no analyte
    (empty where none was named)."""

    sweeps: tuple[Sweep, ...]
    couples: tuple[Couple, ...] = ()
    analytes: tuple[AnalytePeak, ...] = ()
    unassigned: tuple[Place, ...] = ()
    ohmic: OhmicCorrection = OhmicCorrection()

    @property
    def peaks(self) -> tuple[tuple[Sweep, Peak], ...]:
        """Every peak with its sweep, in order."""
        return tuple((sweep, peak) for sweep in self.sweeps for peak in sweep.peaks)

    def at(self, place: Place) -> Peak:
        return self.sweeps[place.sweep - 1].peaks[place.peak]

    def of(self, analyte: str) -> tuple[tuple[AnalytePeak, Peak | None], ...]:
        """What was found of an analyte, sweep by sweep."""
        return tuple(
            (each, None if each.peak is None else self.at(Place(sweep=each.sweep, peak=each.peak)))
            for each in self.analytes
            if each.analyte == analyte
        )
