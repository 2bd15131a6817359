"""What do the names under a retention statement mean? One sentence each."""

from __future__ import annotations

from durability.retention.strip import FLAGS as CURVE_FLAGS

FLAGS: dict[str, str] = {
    # assumptions
    "log_ratio_welch": (
        "The interval is Welch's t interval of the logarithm of the ratio of two means, "
        "each with its own scatter."
    ),
    "fieller": (
        "The interval is Fieller's for a ratio of two means with unequal scatter, with "
        "Satterthwaite's degrees of freedom."
    ),
    "t_of_mean": "The interval is the t interval of a mean of strips.",
    "lots_vary": (
        "The value is the geometric mean of the lots and its interval the t interval of their "
        "logarithms: lots count once each, however many strips they had."
    ),
    "strips_independent": (
        "Strips of a group count as independent draws from it; groups compared with the same "
        "unexposed strips share the error of those."
    ),
    "control_alike": (
        "The control kept without light had the same heat and water as the exposed strips."
    ),
    "control_heat": (
        "The control shared the heat of the exposed strips and not their water, so that what water "
        "did counts as light."
    ),
    "directions_together": (
        "The value is the geometric mean of machine and cross direction, each against its own "
        "unexposed strips."
    ),
    # flags
    "control_interpolated": (
        "The control was not withdrawn at these hours: its strength is read between its "
        "withdrawals on either side, straight on log strength."
    ),
    "censored": (
        "Some strips were too weak to test or are known only to hold at least so much: the mean "
        "cannot be computed, so only a bound is stated, with the limits put in their place."
    ),
    "spread_borrowed": (
        "The group has one strip, or strips that read all the same, so its own scatter is unknown: "
        "the pooled coefficient of variation of the material's other groups, at its upper 90 % "
        "confidence limit, is used for it, with the degrees of freedom of one usual group only, "
        "which widens the interval."
    ),
    "few_strips": "A mean rests on fewer than three strips.",
    "spread_not_given": (
        "The data give no scatter or no number of strips and none can be borrowed, so no interval "
        "is stated; a bound is then the limit as it was given, with no allowance for scatter."
    ),
    "no_unexposed_strips": (
        "There are no unexposed strips to compare with: the strength left is stated as it was "
        "measured, not as a fraction."
    ),
    "unexposed_borrowed": (
        "This lot has no unexposed strips: the mean of the other lots stands in, and the interval "
        "is widened by the variation between lots."
    ),
    "percent_form": (
        "The data are percents of the unexposed strength as their source gives them: the error of "
        "the unexposed strength itself is not in the interval."
    ),
    "one_lot": "Only one lot was tested: nothing is known of the variation between lots.",
    "two_lots": "Only two lots were tested: the interval between lots has one degree of freedom.",
    "lots_not_named": "The data name no lots: strips are taken as of one lot.",
    "lots_lack_unexposed": (
        "Lots without unexposed strips of their own are left out of the mean of the lots."
    ),
    "unexposed_scatter": (
        "The unexposed strips vary by more than 20 % (common practice, no source): look for a "
        "fault of cutting or clamping."
    ),
    "above_unexposed": (
        "More than 125 % of the unexposed strength (common practice, no source): a check of the "
        "noise as much as a gain."
    ),
    "fieller_unbounded": (
        "The unexposed mean does not differ from zero at this level, so Fieller's interval has no "
        "end and none is stated."
    ),
    **{f"curve_{name}": text for name, text in CURVE_FLAGS.items()},
}
"""Every name that `retained_strength` puts under ``assumptions`` or ``flags``, explained."""
