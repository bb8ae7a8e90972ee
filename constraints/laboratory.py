"""What only analysis of the finished product can tell: residual nitrite and nitrate, pH, water activity and the like.

A recipe states what a laboratory found of a batch; a rule names what it wants to know and is judged by that alone.
"""

from enum import StrEnum
from fractions import Fraction

from constraints.as_typed import PERCENT, ZERO
from constraints.document import Broken, NotNegative, Number, Percent, Ruled
from constraints.formula import Batch
from constraints.quantities import Basis
from constraints.requirement import Measured, Measurement, Regulates, Requirement
from constraints.substances import Form, conversion

IONS = {"nitrite": "NO2", "nitrate": "NO3"}
_STRONGEST_PH = Fraction(14)


class Measure(StrEnum):
    """What is analysed.

    Both ions in total are added up in one form; moisture_to_protein is by weight, brine salt as % of salt and moisture.
    """

    RESIDUAL_NITRITE = "residual_nitrite"
    RESIDUAL_NITRATE = "residual_nitrate"
    RESIDUAL_NITRITE_AND_NITRATE = "residual_nitrite_and_nitrate"
    PH = "pH"
    WATER_ACTIVITY = "water_activity"
    MOISTURE = "moisture"
    PROTEIN = "protein"
    FAT = "fat"
    SALT = "salt"
    MOISTURE_TO_PROTEIN = "moisture_to_protein"
    BRINE = "brine"

    @property
    def ions(self) -> tuple[str, ...]:
        """The ions it counts, by name."""
        return tuple(self.value.removeprefix("residual_").split("_and_")) if self.value.startswith("residual_") else ()

    @property
    def unit(self) -> str:
        """Unit of its figure; empty where it has none."""
        plain = (Measure.PH, Measure.WATER_ACTIVITY, Measure.MOISTURE_TO_PROTEIN)
        return "mg/kg" if self.ions else "" if self in plain else "%"

    def found(self, form: Form, figures: dict[str, Fraction]) -> Fraction | None:
        """The figure in a chemical form from what a laboratory found (ions in mg/kg); None where that is not enough."""
        moisture, salt, protein = map(figures.get, (Measure.MOISTURE, Measure.SALT, Measure.PROTEIN))
        if self is Measure.BRINE:
            return None if moisture is None or not salt else PERCENT * salt / (salt + moisture)
        if self is Measure.MOISTURE_TO_PROTEIN:
            return moisture / protein if moisture is not None and protein else None
        if not self.ions:
            return figures.get(self)
        names = {f"residual_{ion}": conversion(IONS[ion], form.formula(IONS[ion])) for ion in self.ions}
        return None if names.keys() - figures else sum((figures[n] * factor for n, factor in names.items()), ZERO)


class LaboratoryEntry(Ruled):
    """What a laboratory found in the finished product of the batch that is checked."""

    residual_nitrite_ppm: NotNegative | None = None
    """Nitrite, mg/kg."""
    residual_nitrate_ppm: NotNegative | None = None
    """Nitrate, mg/kg."""
    expressed_as: Form | None = None
    """The chemical form of both, as the report says: ion or sodium_salt."""
    pH: NotNegative | None = None
    """pH."""
    water_activity: NotNegative | None = None
    """Water activity, 0 to 1."""
    moisture_pct: Percent | None = None
    """Moisture, % by weight."""
    protein_pct: Percent | None = None
    """Protein, % by weight."""
    fat_pct: Percent | None = None
    """Fat, % by weight."""
    salt_pct: Percent | None = None
    """Salt, % by weight."""

    def _broken(self) -> Broken:
        residuals = self.residual_nitrite_ppm is not None or self.residual_nitrate_ppm is not None
        if residuals and self.expressed_as not in (Form.ION, Form.SODIUM_SALT):
            yield "say how nitrite and nitrate are expressed: expressed_as: ion, or sodium_salt"
        if (self.water_activity or 0) > 1 or (self.pH or 0) > _STRONGEST_PH:
            yield "water activity is 0 to 1, and pH 0 to 14"

    def figures(self) -> dict[str, Fraction]:
        """What was found, by the name of its measure; nitrite and nitrate as the ion, mg/kg."""
        named = {name.removesuffix("_ppm").removesuffix("_pct"): getattr(self, name) for name in self.model_fields_set}
        found = {name: value for name, value in named.items() if isinstance(value, Fraction)}
        for ion, formula in IONS.items():
            if f"residual_{ion}" in found and self.expressed_as is Form.SODIUM_SALT:
                found[f"residual_{ion}"] *= conversion(f"Na{formula}", formula)
        return found


class Analysed(Measured):
    """A figure that only analysis of the finished product gives; arithmetic never passes or fails it.

    With ``open`` the largest figure itself is too much already.
    """

    measured: Measure
    form: Form
    open: bool = False

    def figure(self, batch: Batch) -> Measurement:
        """The figure that the laboratory found, and no verdict where it found none."""
        value = self.measured.found(self.form, batch.laboratory)
        if value is None:
            return Measurement(self, None, None, "needs a laboratory")
        return Measurement(self, value, self.within(value))

    def within(self, value: Fraction) -> bool:
        """True between the limits."""
        return super().within(value) and not (self.open and value == self.hi)

    def limits(self) -> str:
        """The limits in words."""
        return super().limits().replace("at most", "below") if self.open else super().limits()


class Laboratory(Ruled):
    """A figure found by analysis: a residual, or an amount "in the food"."""

    measure: Measure
    """What is analysed."""
    form: Form = Form.ION
    """Chemical form in which nitrite and nitrate are expressed."""
    min: Number | None = None
    """Smallest figure."""
    max: Number | None = None
    """Largest figure."""
    below: Number | None = None
    """Instead of max: the figure that it must stay below."""

    def _broken(self) -> Broken:
        if self.min is None and (self.max is None) == (self.below is None):
            yield "give a smallest or a largest figure"

    def build(self) -> Requirement:
        """The requirement this entry stands for."""
        ions, form = self.measure.ions, ""
        if ions:
            salts = {Form.SODIUM_SALT: f"sodium {ions[0]}", Form.SODIUM_NITRITE: "sodium nitrite"}
            form = f" as {salts.get(self.form, f'{IONS[ions[0]]} ion')}"
        return Analysed(
            what=self.measure.replace("_", " ") + form, basis=Basis.FINISHED.words, unit=self.measure.unit,
            lo=self.min, hi=self.below if self.max is None else self.max,
            regulates=Regulates.residual(ions), measured=self.measure, form=self.form, open=self.below is not None,
        )  # fmt: skip
