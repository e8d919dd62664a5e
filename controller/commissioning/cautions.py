"""What is said at every step at which a belt moves or a marker could fire. Common practice, no source."""

from __future__ import annotations

MARKING = (
    "have interlocks, guards, emergency stop and extraction tested by licensed people first; beltcue only reads copies",
    "for dry runs cover the head or the beam; then mark scrap, with nobody near the mark; local rules decide",
)
BELT = (
    "the belt moves: guards closed, nobody near wheel, rollers and nip points, hair and sleeves away; local rules "
    "decide, and beltcue is no safety function"
)
