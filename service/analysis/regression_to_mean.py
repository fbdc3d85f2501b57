"""How far the next test of a person with an extreme first one is expected to come back, by chance alone."""

from dataclasses import dataclass
from typing import Any

from service.analysis.change import TypicalErrorUsed, signed
from service.quantities import Quantity

#: SD from the mean of the reference band from which a first test is called extreme (project's choice).
EXTREME_Z = 1.5


@dataclass(frozen=True, slots=True)
class Spread:
    """Mean and SD of what people of one age and sex were measured at.

    Attributes
    ----------
    mean, sd : float
        In the unit of the quantity; the SD holds the error of measurement too.
    source : str
        Which band of which table.
    """

    mean: float
    sd: float
    source: str


@dataclass(frozen=True, slots=True)
class RegressionToMean:
    """What is expected of the test after an extreme first one.

    Attributes
    ----------
    z : float
        SD of the first test from the mean of its band.
    extreme : bool
        Whether that is beyond `EXTREME_Z`.
    reliability : float
        Share of the variance of the band that is not error, 0-1.
    expected_shift : float
        Of the next test against the first, in the unit of the quantity, where the person has not changed.
    mean, sd, typical_error : float
        That it rests on, in the unit of the quantity.
    source : str
    """

    z: float
    extreme: bool
    reliability: float
    expected_shift: float
    mean: float
    sd: float
    typical_error: float
    source: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "z": self.z,
            "extreme": self.extreme,
            "beyond_z": EXTREME_Z,
            "reliability": self.reliability,
            "expected_shift": self.expected_shift,
            "mean": self.mean,
            "sd": self.sd,
            "typical_error": self.typical_error,
            "source": self.source,
            "method": "barnett_2005",
        }

    def sentence(self, quantity: Quantity) -> str:
        """For a reader."""
        digits = quantity.decimals + 1
        return (
            f"The first test lies {abs(self.z):.1f} SD {'above' if self.z > 0 else 'below'} the mean of {self.source}. By chance "
            f"alone the next one is expected to differ from it by {signed(quantity, self.expected_shift)} (typical error "
            f"{self.typical_error:,.{digits}f}, SD of the band {self.sd:,.{digits}f} {quantity.unit}); a change of that size "
            "needs no cause. It holds for a person of that population: among trained people, or people with a disease, the "
            "mean is another."
        )


def regression_to_mean(
    value: float, spread: Spread, typical_error: TypicalErrorUsed
) -> RegressionToMean | None:
    """The expected return of an unchanged person's next test towards the mean.

    Parameters
    ----------
    value : float
        Of the first test, in the unit of the quantity.
    spread : Spread
    typical_error : TypicalErrorUsed
        Taken at the mean of the band where it is in per cent.

    Returns
    -------
    RegressionToMean or None
        None where the typical error is as large as the spread, so that the band says nothing.

    Notes
    -----
    With the error variance E and the variance T of the measured values (people and error together) the reliability is
    1 - E/T, and the next value of a person first measured at x is expected at mean + reliability (x - mean). Over all people
    beyond a cut-off this is the published effect E / sqrt(T) C(z), C(z) = phi(z) / (1 - Phi(z)) (barnett_2005).
    """
    error = typical_error.at(spread.mean)
    reliability = 1 - (error / spread.sd) ** 2
    if not reliability > 0:
        return None
    z = (value - spread.mean) / spread.sd
    return RegressionToMean(
        z,
        abs(z) >= EXTREME_Z,
        reliability,
        (1 - reliability) * (spread.mean - value),
        spread.mean,
        spread.sd,
        error,
        spread.source,
    )
