"""The words that come back: headings, verdicts, the caution and other sentences said in more than one place."""

from __future__ import annotations

CAUTION = (
    "Cure is poisonous in excess: weigh it on a scale fine enough, have a second person check it, and keep it "
    "apart and labelled. Cook and cool by your local code, and declare allergens. trimwright computes; you, your "
    "authority and licensed practice decide."
)
"""On every page, document and picture that names a cure or a batch."""
