"""What do the names under a crossing statement mean? One sentence each."""

from __future__ import annotations

from durability.inference.crossing.existence import REASONS

FLAGS: dict[str, str] = {
    # assumptions
    "crossing_family": "Crossing doses follow the family named, with one spread for all units"
    " fitted together.",
    "strips_are_units": "Each strip counts by whether it still held the fraction when it was"
    " broken; the dose stated is that at which half of all strips would hold it.",
    "lots_are_units": "Each lot counts by the bracket between its last group that held the fraction"
    " and its first that did not; the dose stated is that of the median lot.",
    "specimens_are_units": "Each inspected specimen counts by the bracket between its looks; the"
    " dose stated is that of the median specimen.",
    "unexposed_taken_as_exact": "The unexposed strength that a strip or group is held against"
    " counts as exact: its own error is not in the interval.",
    "group_means_taken_as_exact": "A group holds the fraction where its mean does: the error of the"
    " mean is not in the bracket.",
    "lots_by_t": "The interval is the t interval of the logarithms of the lots' doses: lots count"
    " once each.",
    "any_distribution": "The limits are binomial and hold whatever the distribution of crossing"
    " doses.",
    # flags
    "not_monotone": "A group held at a higher dose than one that did not: the bracket was widened"
    " over both.",
    **REASONS,
    "lots_bounded": "Some lots have only a bound, so nothing is said of the mean of the lots.",
    "views_disagree": "The crossing view and the degradation model exclude each other: their"
    " intervals share no dose. Look at the law, at the lots and at doubtful strips before either is"
    " quoted.",
    "views_apart": "The value of one view lies outside the interval of the other, though the"
    " intervals overlap.",
}
"""Every name that crossing statements and `disagreement` use and no other room explains."""


def explain(name: str) -> str:
    """The sentence of a name, of this room or of those it borrows names from."""
    from durability.inference.threshold import EXPLANATIONS
    from durability.retention import FLAGS as RETENTION

    for known in (FLAGS, EXPLANATIONS, RETENTION):
        if name in known:
            return known[name]
    raise LookupError(f"{name} has no explanation")
