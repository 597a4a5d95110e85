"""The cell document: what a TOML file may say. Numbers are SI; text may carry its unit ("3 mm", "0.5 mM")."""

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from luggin.protocol.quantity import (
    Area,
    Capacitance,
    Concentration,
    Current,
    Duration,
    Frequency,
    Potential,
    Resistance,
    Volume,
    parse,
)


def _in(unit: str) -> BeforeValidator:
    return BeforeValidator(lambda value: parse(value, unit))


Length = Annotated[float, _in("m")]
Diffusion = Annotated[float, _in("m2/s"), Field(gt=0, le=1e-6)]
Amount = Annotated[float, _in("mol/m2")]
Drift = Annotated[float, _in("V/s")]
Name = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,64}$")]
Text = Annotated[str, Field(max_length=500)]


class Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Plane(Strict):
    """A large electrode: diffusion runs straight at it."""

    shape: Literal["plane"]
    area: Area = Field(gt=0, le=10)


class Hemisphere(Strict):
    shape: Literal["hemisphere"]
    radius: Length = Field(gt=0, le=1)


class Microdisk(Strict):
    shape: Literal["microdisk"]
    radius: Length = Field(gt=0, le=1)


class ThinLayer(Strict):
    """All the solution there is lies within `thickness` of the electrode."""

    shape: Literal["thin-layer"]
    area: Area = Field(gt=0, le=10)
    thickness: Length = Field(gt=0, le=0.1)


class Dissolved(Strict):
    """In solution. `decay` is the rate (1/s) of a first-order reaction that follows the electrode reaction."""

    kind: Literal["dissolved"]
    name: Name
    concentration: Concentration = Field(0.0, ge=0, le=1e5)
    diffusion: Diffusion
    decay: Frequency = Field(0.0, ge=0, le=1e6)


class Film(Strict):
    """In a film on the electrode, through which it diffuses and which it can't leave: an amalgam, a polymer."""

    kind: Literal["film"]
    name: Name
    concentration: Concentration = Field(0.0, ge=0, le=1e5)
    diffusion: Diffusion
    thickness: Length = Field(gt=0, le=0.1)


class Adsorbed(Strict):
    kind: Literal["adsorbed"]
    name: Name
    amount: Amount = Field(0.0, ge=0, le=1e3)


class Deposit(Strict):
    """A solid on the electrode, of unit activity once it is thicker than about a `monolayer`."""

    kind: Literal["deposit"]
    name: Name
    amount: Amount = Field(0.0, ge=0, le=1e3)
    monolayer: Amount = Field(2e-5, gt=0, le=1)


Species = Annotated[Dissolved | Film | Adsorbed | Deposit, Field(discriminator="kind")]


class Couple(Strict):
    """O + n e- = R. Without a rate constant the couple is so fast that Nernst's equation holds."""

    formal_potential: Potential = Field(ge=-10, le=10)
    electrons: int = Field(1, ge=1, le=12)
    rate_constant: Annotated[float, _in("m/s")] | None = Field(None, gt=0, le=1e3)
    surface_rate_constant: Frequency | None = Field(None, gt=0, le=1e6)
    transfer_coefficient: float = Field(0.5, gt=0, lt=1)
    oxidised: Species
    reduced: Species

    @model_validator(mode="after")
    def _consistent(self) -> "Couple":
        kinds = self.oxidised.kind, self.reduced.kind
        if kinds[0] == "deposit":
            raise ValueError("only the reduced species can be a deposit")
        if "adsorbed" in kinds and kinds != ("adsorbed", "adsorbed"):
            raise ValueError("when one species is adsorbed, the other must be adsorbed too")
        if kinds[1] == "deposit" and kinds[0] != "dissolved":
            raise ValueError("a deposit forms from a dissolved species only")
        if kinds[0] == "adsorbed" and self.rate_constant is not None:
            raise ValueError("adsorbed species have a surface_rate_constant (1/s), not a rate_constant")
        if kinds[0] != "adsorbed" and self.surface_rate_constant is not None:
            raise ValueError("surface_rate_constant is for adsorbed species; give rate_constant (m/s)")
        return self


class Diodes(Strict):
    """Two antiparallel diodes; `scale` is the ideality times kT/e."""

    kind: Literal["diodes"]
    saturation_current: Current = Field(gt=0, le=1)
    scale: Potential = Field(gt=1e-3, le=1)


class Tafel(Strict):
    """Two Tafel lines: corrosion (corrosion potential, corrosion current), or the edges of the solvent window."""

    kind: Literal["tafel"]
    rest_potential: Potential = Field(ge=-10, le=10)
    exchange_current: Current = Field(gt=0, le=100)
    anodic_slope: Potential = Field(gt=1e-3, le=10, description="V per decade")
    cathodic_slope: Potential = Field(gt=1e-3, le=10, description="V per decade")


class Passive(Strict):
    """A metal that protects itself: pits grow above `pitting_potential` and heal below `repassivation_potential`.

    `pit_resistance` is that of fully grown pits, which take about `growth_time` for each e-fold.
    """

    kind: Literal["passive"]
    corrosion_potential: Potential = Field(ge=-10, le=10)
    corrosion_current: Current = Field(gt=0, le=100)
    anodic_slope: Potential = Field(gt=1e-3, le=10, description="V per decade")
    cathodic_slope: Potential = Field(gt=1e-3, le=10, description="V per decade")
    passive_current: Current = Field(gt=0, le=100)
    pitting_potential: Potential = Field(ge=-10, le=10)
    repassivation_potential: Potential = Field(ge=-10, le=10)
    pit_resistance: Resistance = Field(gt=0, le=1e12)
    growth_time: Duration = Field(gt=0, le=1e6)

    @model_validator(mode="after")
    def _in_order(self) -> "Passive":
        if not self.corrosion_potential < self.repassivation_potential < self.pitting_potential:
            raise ValueError("corrosion, repassivation and pitting potential must rise in this order")
        return self


Reaction = Annotated[Diodes | Tafel | Passive, Field(discriminator="kind")]


class Interface(Strict):
    series_resistance: Resistance = Field(0.0, ge=0, le=1e12)
    double_layer: Capacitance = Field(0.0, ge=0, le=1e6)
    leak_resistance: Resistance | None = Field(None, gt=0, le=1e15)


class Counter(Strict):
    """Counter electrode: path resistance, rest potential against the reference, and a hyperbolic-sine reaction."""

    resistance: Resistance = Field(0.0, ge=0, le=1e12)
    rest_potential: Potential = Field(0.0, ge=-10, le=10)
    exchange_current: Current = Field(1e-6, gt=0, le=100)
    scale: Potential = Field(0.05, gt=0, le=1)


class Stirring(Strict):
    layer: Length = Field(gt=0, le=1e-2, description="thickness of the steady diffusion layer")


class Gas(Strict):
    """A dissolved gas that leaves while a purge gas runs and comes back from the air otherwise."""

    species: Name
    leaves_in: Duration = Field(gt=0, le=1e6, description="time constant")
    returns_in: Duration = Field(gt=0, le=1e9, description="time constant")


class Reference(Strict):
    """Error of the reference electrode: `drift`, and a random walk of standard deviation `wander` after one hour."""

    drift: Drift = Field(0.0, ge=-1, le=1)
    wander: Potential = Field(0.0, ge=0, le=1)


class Ageing(Strict):
    half_life: Duration = Field(gt=0, le=1e9, description="of the area at which couples react")


class Partner(Strict):
    """A second electrode, to be coupled to the working electrode."""

    interface: Interface = Interface()
    reactions: tuple[Reaction, ...] = Field(min_length=1, max_length=8)


class Addition(Strict):
    """What the simulated operator does once so many runs have been started: pour in `volume` of a solution.

    What it holds of the dissolved species is told in `concentrations`; all others, and what the cell held, are diluted.
    """

    after_run: int = Field(ge=1, le=100_000)
    volume: Volume = Field(gt=0, le=1.0)
    concentrations: dict[Name, Concentration] = Field({}, max_length=16)


class CellDocument(Strict):
    """One cell. `source` says where its values come from; invented ones are to be called so.

    `pickup` is the noise current that cell and leads pick up, as the standard deviation of a mean over half a second
    (A per root hertz).  `volume` is what the cell holds of solution at first, which only `additions` need.
    """

    title: str = Field(min_length=1, max_length=100)
    source: str = Field(min_length=1, max_length=500)
    electrode: Annotated[Plane | Hemisphere | Microdisk | ThinLayer, Field(discriminator="shape")] | None = None
    interface: Interface = Interface()
    couples: tuple[Couple, ...] = Field((), max_length=8)
    reactions: tuple[Reaction, ...] = Field((), max_length=8)
    partner: Partner | None = None
    counter: Counter | None = None
    stirring: Stirring = Stirring(layer=2e-5)
    gas: Gas | None = None
    reference: Reference = Reference()
    ageing: Ageing | None = None
    pickup: Current = Field(0.0, ge=0, le=1e-3)
    volume: Volume | None = Field(None, gt=0, le=1.0)
    additions: tuple[Addition, ...] = Field((), max_length=100)

    @model_validator(mode="after")
    def _consistent(self) -> "CellDocument":
        species = [one for couple in self.couples for one in (couple.oxidised, couple.reduced)]
        names = [one.name for one in species]
        if len(set(names)) < len(names):
            raise ValueError("each species needs a name of its own")
        if self.couples and self.electrode is None:
            raise ValueError("couples need an electrode; add its shape and size")
        if self.gas and self.gas.species not in [one.name for one in species if one.kind == "dissolved"]:
            raise ValueError(f"gas.species {self.gas.species!r} is not among the dissolved species")
        dissolved = {one.name for one in species if one.kind == "dissolved"}
        for number, addition in enumerate(self.additions):
            if (unknown := next((name for name in addition.concentrations if name not in dissolved), None)) is not None:
                known = ", ".join(sorted(dissolved)) or "none"
                raise ValueError(f"additions[{number}] names {unknown!r}; the dissolved species are {known}")
        if self.additions and self.volume is None:
            raise ValueError("additions need the volume that the cell holds at first; add volume")
        if [each.after_run for each in self.additions] != sorted(each.after_run for each in self.additions):
            raise ValueError("additions must be in the order in which they are made, after_run rising")
        interface = self.interface
        if not (self.couples or self.reactions or interface.double_layer or interface.leak_resistance):
            raise ValueError("nothing conducts; add an interface, couples or reactions")
        return self
