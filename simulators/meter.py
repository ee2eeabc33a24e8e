"""What a meter makes of a true value: gain and offset errors, noise, resolution."""

import random
from dataclasses import dataclass, field


@dataclass(slots=True)
class Meter:
    """One measuring function of an instrument; ideal unless told otherwise.

    `gain` is a fraction of the reading; `offset`, `noise` (one standard deviation, normal) and `resolution`
    (0 = none) are in the unit of the reading. The same seed gives the same readings. Zero errors return the
    value unchanged.
    """

    gain: float = 0.0
    offset: float = 0.0
    noise: float = 0.0
    resolution: float = 0.0
    seed: int = 0
    _random: random.Random = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        self._random = random.Random(self.seed)

    def read(self, true: float) -> float:
        """Return the reading for a true value, in the same unit."""
        reading = true * (1.0 + self.gain) + self.offset
        if self.noise > 0.0:
            reading += self._random.gauss(0.0, self.noise)
        if self.resolution > 0.0:
            reading = round(reading / self.resolution) * self.resolution
        return reading
