"""A chart that was drawn and where it lies; reports know this much of charts, and not the library that draws them."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True)
class DrawnChart:
    """A chart's files, its title, and what it shows in a sentence, for who cannot see it.

    `narrow_svg` is the same drawn for a phone, as SVG text; empty where there is none.
    """

    name: str
    title: str
    words: str
    png: Path
    svg: Path
    narrow_svg: str = ""
