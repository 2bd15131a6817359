"""Do the data give the threshold, or only a bound of it? Asks the fit, where the fit can tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol, cast

if TYPE_CHECKING:
    from durability.statement import Subject
    from durability.translation import ThresholdPosterior

Bound = Literal["lower", "upper"]
FLAGS: dict[Bound, tuple[str, ...]] = {
    "lower": ("lower_bound_only",),
    "upper": ("upper_bound_only", "before_first_dose"),
}
"""Names of the flags that a statement carries, as those of the threshold dose do."""


class BoundedPosterior(Protocol):
    """A fit that knows where its data give only a bound of the threshold dose."""

    def bound(
        self,
        fraction: float | None,
        *,
        of: Subject,
        material: str,
        direction: str,
        exposure: str,
        share: float | None = None,
    ) -> Bound | None: ...


def bound_of(
    fit: ThresholdPosterior,
    fraction: float | None,
    *,
    of: Subject,
    material: str,
    direction: str,
    exposure: str,
    share: float | None = None,
) -> Bound | None:
    """``"lower"``, ``"upper"``, or None where the threshold is given or the fit cannot tell."""
    if not hasattr(fit, "bound"):
        return None
    return cast(BoundedPosterior, fit).bound(
        fraction, of=of, material=material, direction=direction, exposure=exposure, share=share
    )


__all__ = ["FLAGS", "Bound", "BoundedPosterior", "bound_of"]
