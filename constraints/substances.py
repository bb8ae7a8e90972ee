"""Regulated substances an addition may be, by the plain name a recipe uses, and how much of them is in an item.

The table holds names, families and chemical formulas only; every figure about them stands in a rule pack. A hydrate
is a substance of its own, because its water is weighed too. A name without a formula has no other chemical form.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from constraints.chemistry import conversion
from constraints.ingredients import Ingredient, Kind
from constraints.numbers import PERCENT
from constraints.quantities import Process

ACCELERATOR = "accelerator"
ACIDULANT = "acidulant"
PHOSPHATE = "phosphate"
BINDER = "binder"
ANTIOXIDANT = "antioxidant"
SULPHITE = "sulphite"
ANTIMICROBIAL = "antimicrobial"
CHEESE = "cheese"
ROSEMARY = "rosemary"
PRESERVATIVE = "preservative"
TOCOPHEROL = "tocopherol"
SYNERGIST = "synergist"
SWEETENER = "sweetener"
SUGAR = "sugar"
CULTURE = "culture"
ALKALI = "alkali"
COLOUR = "colour"
EMULSIFIER = "emulsifier"
ENHANCER = "flavour_enhancer"
FORBIDDEN = "forbidden_preservative"
OTHER = "other_additive"
SURFACE = "surface_pct"
"""Property of an addition that is not mixed in: so much % of what casing or surface is treated with."""

# Formulas: general chemistry, from memory; the E numbers in the comments as in Reg (EU) 1129/2011 Annex II.
FORMULAS: dict[str, dict[str, str]] = {
    ACCELERATOR: {
        "ascorbic_acid": "C6H8O6",  # E300
        "sodium_ascorbate": "C6H7NaO6",  # E301
        "calcium_ascorbate": "C12H14CaO12.2H2O",  # E302, sold as the dihydrate
        "erythorbic_acid": "C6H8O6",  # E315
        "sodium_erythorbate": "C6H7NaO6",  # E316 without water: the form that counts most as the acid
        "sodium_erythorbate_monohydrate": "C6H7NaO6.H2O",  # E316 as usually sold
    },
    PHOSPHATE: {
        "sodium_tripolyphosphate": "Na5P3O10",  # E451i
        "sodium_tripolyphosphate_hexahydrate": "Na5P3O10.6H2O",
        "potassium_tripolyphosphate": "K5P3O10",  # E451ii
        "tetrasodium_pyrophosphate": "Na4P2O7",  # E450iii
        "tetrasodium_pyrophosphate_decahydrate": "Na4P2O7.10H2O",
        "sodium_acid_pyrophosphate": "Na2H2P2O7",  # E450i
        "tetrapotassium_pyrophosphate": "K4P2O7",  # E450v
        "sodium_hexametaphosphate": "NaPO3",  # E452i
        "monosodium_phosphate": "NaH2PO4",  # E339i
        "disodium_phosphate": "Na2HPO4",  # E339ii
        "disodium_phosphate_dihydrate": "Na2HPO4.2H2O",
        "disodium_phosphate_dodecahydrate": "Na2HPO4.12H2O",
        "trisodium_phosphate": "Na3PO4",  # E339iii
        "monopotassium_phosphate": "KH2PO4",  # E340i
        "dipotassium_phosphate": "K2HPO4",  # E340ii
    },
    SULPHITE: {
        "sulphur_dioxide": "SO2",  # E220
        "sodium_sulphite": "Na2SO3",  # E221
        "sodium_sulphite_heptahydrate": "Na2SO3.7H2O",
        "sodium_bisulphite": "NaHSO3",  # E222
        "sodium_metabisulphite": "Na2S2O5",  # E223
        "potassium_metabisulphite": "K2S2O5",  # E224
    },
    ACIDULANT: dict.fromkeys(
        (
            "citric_acid", "sodium_citrate", "glucono_delta_lactone", "fumaric_acid", "lactic_acid", "acetic_acid",
            "tartaric_acid", "phosphoric_acid",
        ),
        "",
    ),
    ANTIOXIDANT: dict.fromkeys(("bha", "bht", "tbhq", "propyl_gallate", "octyl_gallate", "dodecyl_gallate"), ""),
    TOCOPHEROL: dict.fromkeys(("mixed_tocopherols", "alpha_tocopherol"), ""),
    SYNERGIST: dict.fromkeys(("monoglyceride_citrate", "monoisopropyl_citrate"), ""),
    ANTIMICROBIAL: dict.fromkeys(
        ("sodium_lactate", "potassium_lactate", "calcium_lactate", "sodium_diacetate", "sodium_acetate"), ""
    ),
    PRESERVATIVE: dict.fromkeys(
        (
            "sorbic_acid", "potassium_sorbate", "calcium_sorbate", "propylparaben", "benzoic_acid",
            "sodium_benzoate", "natamycin",
        ),
        "",
    ),
    SWEETENER: dict.fromkeys(("sorbitol", "saccharin", "glycerine", "malt_syrup"), ""),
    SUGAR: dict.fromkeys(
        ("sucrose", "dextrose", "fructose", "lactose", "glucose_syrup", "corn_syrup", "corn_syrup_solids"), ""
    ),
    CULTURE: {"lactic_starter": ""},
    ALKALI: {"sodium_hydroxide": ""},
    BINDER: dict.fromkeys(
        (
            "nonfat_dry_milk", "dried_milk", "calcium_reduced_dried_skim_milk", "dried_whey", "sodium_caseinate",
            "isolated_soy_protein", "soy_protein_concentrate", "soy_flour", "wheat_gluten", "cereal", "rusk",
            "breadcrumb", "wheat_flour", "oats", "rice_flour", "corn_flour", "potato_flour", "starch",
            "corn_starch", "potato_starch", "tapioca_starch", "wheat_starch", "bread", "tapioca_dextrin",
            "reduced_lactose_whey", "reduced_minerals_whey", "whey_protein_concentrate", "rennet_treated_milk",
            "modified_starch", "carrageenan", "agar", "xanthan_gum", "gelatin", "pork_collagen", "transglutaminase",
            "cassia_gum", "guar_gum", "locust_bean_gum", "konjac",
        ),
        "",
    ),
    COLOUR: dict.fromkeys(
        (
            "curcumin", "carmine", "carotenes", "paprika_extract", "annatto", "caramel_colour", "beetroot_red",
            "titanium_dioxide", "allura_red", "synthetic_colour",
        ),
        "",
    ),
    EMULSIFIER: dict.fromkeys(("sucrose_esters", "polysorbate"), ""),
    ENHANCER: dict.fromkeys(("monosodium_glutamate", "disodium_inosinate", "disodium_guanylate"), ""),
    FORBIDDEN: dict.fromkeys(("boric_acid", "borax", "formaldehyde", "hexamine", "salicylic_acid"), ""),
    OTHER: dict.fromkeys(
        ("nisin", "lysozyme", "ethyl_lauroyl_arginate", "calcium_disodium_edta", "ascorbyl_palmitate"), ""
    ),
    CHEESE: {"cheese": ""},
    ROSEMARY: {"rosemary_extract_as_carnosol_and_carnosic_acid": ""},  # E392, by what counts of it
}  # fmt: skip
"""Family, then substance, then chemical formula (empty: none needed)."""

SUBSTANCES: dict[str, str] = {name: family for family, names in FORMULAS.items() for name in names}
"""Family of every substance, by the name a recipe writes behind ``is``."""


FREE = (SUGAR, CULTURE)
"""Families that few limits ask for, so that a name alone is not asked about."""


def spread(names: Iterable[str]) -> tuple[str, ...]:
    """The substances named, a family standing for all of its own."""
    return tuple(dict.fromkeys(one for name in names for one in FORMULAS.get(name, (name,))))


def kind_of(name: str) -> Kind:
    """What kind of ingredient a substance is: cheese is an inclusion with its own composition, all else is dry."""
    return Kind.INCLUSION if SUBSTANCES.get(name) == CHEESE else Kind.DRY


def conversion_of(name: str, expressed: str) -> Fraction:
    """Grams in the chemical form ``expressed`` (a formula) per gram of a substance weighed.

    Raises ValueError where the substance has no such form.
    """
    formula = FORMULAS[SUBSTANCES[name]][name]
    if not formula:
        raise ValueError(f"{name} cannot be expressed as {expressed}")
    return conversion(formula, expressed)


def share_of(name: str, item: Ingredient) -> Fraction:
    """The part of an item, from 0 to 1, that is the substance.

    An item that states ``<substance>_pct`` holds that much of it, be it a bought blend, a solution (sodium lactate
    of 60 %) or a lot made earlier; else an item that is the substance is all of it.
    """
    stated = item.properties.get(f"{name}_pct")
    if stated is not None:
        return stated / PERCENT
    return Fraction(item.substance == name)


@dataclass(frozen=True)
class Substances:
    """Kilograms of substances, each times its factor: ``terms`` are (substance, factor).

    What only treats the casing or the surface is counted where ``on_surface`` says so.
    """

    terms: tuple[tuple[str, Fraction], ...]
    on_surface: bool = False

    @classmethod
    def plain(cls, names: Iterable[str], *, on_surface: bool = False) -> Substances:
        """The named substances as weighed."""
        return cls(tuple((name, Fraction(1)) for name in names), on_surface)

    def per_kg(self, item: Ingredient, process: Process) -> Fraction:
        """Kilograms in one kilogram of the item."""
        if SURFACE in item.properties and not self.on_surface:
            return Fraction(0)
        shares = ((factor, share_of(name, item)) for name, factor in self.terms)
        return sum((factor * share for factor, share in shares if share), Fraction(0))
