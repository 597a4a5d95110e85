"""Reference electrodes: potentials against the standard hydrogen electrode, and conversion from one to another.

All values hold at 25 degC.  Published values differ by a few millivolts, partly because some leave the liquid
junction between filling and sample out and others include it; each entry says which it is and where it is from.
The uncertainties are our own judgement of that spread; no source states them.
"""

import math
import re
from collections.abc import Mapping
from types import MappingProxyType

from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result
from luggin.daemon.analysis.faraday import thermal_voltage

_HINDAWI = "Int. J. Corrosion 2010, 756950, table 2"


class ReferenceElectrode(Result):
    """Potential and its standard uncertainty in V against SHE at 25 degC.

    `junction` says whether the value includes the liquid junction to a dilute aqueous sample; None where there is
    none or the source does not say.  `solvent` is what the electrode is used in.
    """

    name: str
    potential: float
    uncertainty: float
    junction: bool | None
    solvent: str = "water"
    source: str
    aliases: tuple[str, ...] = ()


def _entry(
    name: str,
    potential: float,
    uncertainty: float,
    junction: bool | None,
    source: str,
    *aliases: str,
    solvent: str = "water",
) -> ReferenceElectrode:
    return ReferenceElectrode(
        name=name,
        potential=potential,
        uncertainty=uncertainty,
        junction=junction,
        solvent=solvent,
        source=source,
        aliases=aliases,
    )


_ENTRIES = (
    _entry("SHE", 0.0, 0.0, None, "definition (IUPAC)", "NHE"),
    _entry("SCE", 0.2410, 0.002, False, _HINDAWI, "Hg/Hg2Cl2 (saturated KCl)"),
    _entry("Hg/Hg2Cl2 (1 M KCl)", 0.2801, 0.002, False, _HINDAWI, "calomel (1 M KCl)"),
    _entry("Hg/Hg2Cl2 (0.1 M KCl)", 0.3337, 0.002, False, _HINDAWI, "calomel (0.1 M KCl)"),
    _entry("Ag/AgCl (saturated KCl)", 0.197, 0.002, None, _HINDAWI, "Ag/AgCl (sat. KCl)"),
    _entry("Ag/AgCl (3.5 M KCl)", 0.205, 0.002, True, "Sawyer, Electrochemistry for Chemists (1995), as compiled"),
    _entry("Ag/AgCl (3 M KCl)", 0.210, 0.002, True, "web compilation"),
    _entry("Ag/AgCl (1 M KCl)", 0.2360, 0.002, None, _HINDAWI),
    _entry("Ag/AgCl (0.1 M KCl)", 0.2895, 0.002, None, _HINDAWI),
    _entry(
        "Hg/Hg2SO4 (saturated K2SO4)", 0.640, 0.010, None,
        "Bard & Faulkner, Electrochemical Methods (2001), from memory; other sources give up to 0.651 V",
    ),
    _entry("Hg/Hg2SO4 (1 M H2SO4)", 0.6739, 0.002, None, _HINDAWI),
    _entry(
        "Hg/HgO (1 M NaOH)", 0.1077, 0.005, False,
        "Nickell et al., J. Power Sources 161 (2006) 1217, for 1.00 mol/kg; with junction up to 0.140 V is reported",
    ),
    _entry("Hg/HgO (0.1 M NaOH)", 0.165, 0.002, None, _HINDAWI),
    _entry("Cu/CuSO4 (saturated)", 0.316, 0.005, None, _HINDAWI, "CSE"),
    _entry("Fc+/Fc (water)", 0.400, 0.005, None, "Bond et al., Anal. Chem. 59 (1987) 2853", solvent="water"),
    _entry(
        "Fc+/Fc (acetonitrile)", 0.624, 0.020, None,
        "0.380 V against SCE with junction, 0.244 V: Pavlishchuk & Addison, Inorg. Chim. Acta 298, 97 (from memory)",
        "Fc+/Fc", solvent="acetonitrile",
    ),
)  # fmt: skip


REFERENCES: Mapping[str, ReferenceElectrode] = MappingProxyType({entry.name: entry for entry in _ENTRIES})


class Conversion(Result):
    """`shift` is added to potentials against `original` to have them against `wanted`, in V.

    `uncertainty` is the standard uncertainty of the shift, from those of the two table values.
    """

    original: str
    wanted: str
    shift: float
    uncertainty: float
    sources: tuple[str, ...]
    warnings: tuple[str, ...] = ()


def find_reference(name: str) -> ReferenceElectrode:
    """Look a reference electrode up by name, ignoring case, spaces and the spelling of "saturated" and "M".

    Raises AnalysisError that lists the known names; "Ag/AgCl" without its filling is not enough.
    """
    found = _INDEX.get(_plain(name))
    if found is None:
        raise AnalysisError(
            f'Reference electrode "{name}" is not known; give one of "RHE" or "'
            + '", "'.join(REFERENCES)
            + '", with its filling.'
        )
    return found


def conversion(original: str, wanted: str, *, ph: float | None = None, temperature: float = 298.15) -> Conversion:
    """The shift from one reference electrode to another; `temperature` in K.

    The reversible hydrogen electrode, "RHE", lies at -ln(10) RT/F pH against SHE and needs the `ph` of the sample
    (hydrogen at 1 bar).  Warnings say when values with and without liquid junction, or of different solvents, are
    mixed, and when the temperature is not 25 degC.  Raises AnalysisError for an unknown electrode or a missing pH.
    """
    first, second = _potential(original, ph, temperature), _potential(wanted, ph, temperature)
    same = first.name == second.name
    warnings = []
    if not same:
        if {first.junction, second.junction} == {True, False}:
            bare = first.name if first.junction is False else second.name
            warnings.append(f"The value of {bare} leaves the liquid junction out, the other includes it.")
        if first.solvent != second.solvent:
            warnings.append(
                f"{first.name} in {first.solvent} and {second.name} in {second.solvent} are joined by an unknown "
                "junction between the solvents; measure the shift in your own cell."
            )
        if abs(temperature - 298.15) > 2 and not {first.name, second.name} <= {"SHE", "RHE"}:
            warnings.append(f"The table holds for 25 degC and is used at {temperature - 273.15:.1f} degC.")
    return Conversion(
        original=first.name,
        wanted=second.name,
        shift=0.0 if same else first.potential - second.potential,
        uncertainty=0.0 if same else math.hypot(first.uncertainty, second.uncertainty),
        sources=tuple(dict.fromkeys((first.source, second.source))),
        warnings=tuple(warnings),
    )


def convert(
    potential: ArrayLike, original: str, wanted: str, *, ph: float | None = None, temperature: float = 298.15
) -> tuple[Floats, Conversion]:
    """Potentials in V, shape (n,), against another reference electrode, and the conversion that was applied."""
    applied = conversion(original, wanted, ph=ph, temperature=temperature)
    return floats("potential", potential) + applied.shift, applied


def _potential(name: str, ph: float | None, temperature: float) -> ReferenceElectrode:
    if _plain(name) != "rhe":
        return find_reference(name)
    if ph is None:
        raise AnalysisError("The reversible hydrogen electrode depends on the pH; give the pH of the sample.")
    slope = math.log(10) * thermal_voltage(temperature)
    return ReferenceElectrode(
        name="RHE", potential=-slope * ph, uncertainty=0.0, junction=None, source="Nernst equation, hydrogen at 1 bar"
    )


def _plain(name: str) -> str:
    bare = re.sub(r"[\s.']", "", name).casefold()
    return re.sub("saturated|satd", "sat", bare).replace("mol/l", "m")


_INDEX = {_plain(name): entry for entry in _ENTRIES for name in (entry.name, *entry.aliases)}
