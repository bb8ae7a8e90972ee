"""Regulated substances an addition may be, by the plain name a recipe uses, and the family each belongs to."""

from __future__ import annotations

ACCELERATOR = "accelerator"
PHOSPHATE = "phosphate"

SUBSTANCES: dict[str, str] = {
    "ascorbic_acid": ACCELERATOR,
    "erythorbic_acid": ACCELERATOR,
    "sodium_ascorbate": ACCELERATOR,
    "sodium_erythorbate": ACCELERATOR,
    "sodium_tripolyphosphate": PHOSPHATE,
    "tetrasodium_pyrophosphate": PHOSPHATE,
    "sodium_acid_pyrophosphate": PHOSPHATE,
}
