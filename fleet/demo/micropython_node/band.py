"""What the coprocessor does: average a few readings, compare with the band, wake the main processor at a crossing."""


class Band:
    """The band and what was seen of the reading since the last wake."""

    def __init__(self, lo: float, hi: float, hyst: float) -> None:
        self.lo, self.hi, self.hyst = lo, hi, hyst
        self.outside = ""
        self.count, self.low, self.high, self.mean, self.square = 0, 0.0, 0.0, 0.0, 0.0

    def run(self, readings: list[float]) -> str:
        """One run over the readings of this period; the wake cause, or an empty text.

        >>> band = Band(0.8, 2.0, 0.05)
        >>> [band.run([value]) for value in (1.0, 2.1, 2.2, 1.97, 2.1, 1.9, 2.1, 0.7)]
        ['', 'band_high', '', '', '', '', 'band_high', 'band_low']
        """
        value = sum(readings) / len(readings)
        self._note(value)
        if value > self.hi and self.outside != "band_high":
            self.outside = "band_high"
            return "band_high"
        if value < self.lo and self.outside != "band_low":
            self.outside = "band_low"
            return "band_low"
        if self.lo + self.hyst <= value <= self.hi - self.hyst:
            self.outside = ""  # only now may the same edge wake the node again
        return ""

    def _note(self, value: float) -> None:
        self.low = value if not self.count else min(self.low, value)
        self.high = value if not self.count else max(self.high, value)
        self.count += 1
        step = value - self.mean
        self.mean += step / self.count
        self.square += step * (value - self.mean)

    def asleep(self) -> dict[str, float]:
        """What goes into the record's `asleep`."""
        if not self.count:
            return {"n": 0}
        sd = (self.square / (self.count - 1)) ** 0.5 if self.count > 1 else 0.0
        return {"n": self.count, "min": self.low, "max": self.high, "mean": self.mean, "sd": sd}
