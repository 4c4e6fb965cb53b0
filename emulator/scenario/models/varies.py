"""By how much does one night differ from another as a whole?"""

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from emulator.scenario.values import Mistake, Model

__all__ = ["Factor"]


class Factor(Model):
    """A factor that is drawn once for each night; whatever says `varies_with` is multiplied by it.

    ``{cv: 0.3}``: lognormal with mean 1 and that coefficient of variation; or ``{one_of_nights: draft.nights.csv}``.
    """

    mean: float = Field(default=1.0, gt=0, le=1000, description="Its mean over nights.")
    cv: float | None = Field(default=None, ge=0.001, le=10, description="Its deviation over nights by its mean.")
    law: Literal["lognormal", "gamma"] = Field(default="lognormal", description="The law of the factor.")
    one_of_nights: str | None = Field(
        default=None,
        min_length=1,
        max_length=1000,
        description="A .csv file of past nights with a column of the factor's name: one night is drawn, and all "
        "factors from this file are those of that night; a night with an empty cell among them is not drawn. In a "
        "routine, its own column `FACTOR:ROUTINE` counts where that night has one (`pace:copy`). Of the file that "
        "`sketch` writes, `demand` and `pace` are how much came and how long runs took.",
    )

    def mistakes(self) -> Iterator[Mistake]:
        if (self.cv is None) == (self.one_of_nights is None):
            yield (), "a factor is drawn by its `cv` or from `one_of_nights`: write {cv: 0.3}"
        elif self.one_of_nights is not None and (self.stated("law") or self.stated("mean")):
            yield (), "`law` and `mean` go with `cv`: past nights have their own"
