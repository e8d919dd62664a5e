"""What is said at every step at which a marker could fire. Common practice, no source."""

from __future__ import annotations

CAUTIONS = (
    "have interlocks, guards, emergency stop and extraction tested by licensed people first; beltcue only reads copies",
    "for dry runs cover the head or the beam; then mark scrap, with nobody near the mark; local rules decide",
)
