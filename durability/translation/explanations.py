"""What do the assumptions and flags of translated statements mean? Name to sentence."""

from __future__ import annotations

EXPLANATIONS: dict[str, str] = {
    "translation_approximate": (
        "Days outdoors are an approximate reading of a laboratory dose. No universal factor leads "
        "from lamp hours to time outdoors: spectrum, temperature, moisture and cycling differ, "
        "and act differently on each material. The test standards themselves allow no outdoor "
        "time to be inferred without outdoor exposures of the same material. Local codes, the "
        "product's standard and licensed practice prevail."
    ),
    "lab_to_sky_prior": (
        "What irradiance, temperature and dose do not explain between a lamp and a sky is carried "
        "as a log-normal factor on the threshold dose, independent for each material; its spread "
        "is in models/translation.toml. Every translation carries it; laboratory strips cannot "
        "narrow it. In simulation 90 % intervals of days held the true days of 89.9 % of 1,000 "
        "invented products. Where lamp and sky differed in a way that is not drawn, fewer: "
        "84 % with one more log spread of 0.3, 82 % where all fell 1.5 times faster in the open, "
        "75 % where the two differed twice as much as assumed, and 76 % where damage under the sky "
        "had an activation energy lower by 20 kJ/mol, nearly all of those with too many days, the "
        "unsafe side (benchmarks/days_coverage.py, 400 products each). "
        "Only strips in the open show whether a product is one of these."
    ),
    "lab_to_sky_learned": (
        "What irradiance, temperature and dose do not explain between lamp and sky was estimated "
        "from strips of this material that lay in the open at this site, jointly with everything "
        "else; it holds for weather like that of those days."
    ),
    "lab_to_sky_learned_in_part": (
        "Strips in the open tell of this material or of this site, not of both together: the part "
        "of the unexplained factor that they do not tell of is drawn from its estimated spread."
    ),
    "lab_to_sky_spread_learned": (
        "Strips in the open were of another material and at another site: they tell only how far "
        "lamp and sky may differ."
    ),
    "typical_year": (
        "The weather is a typical year of hourly values that repeats; one factor on the year's "
        "ultraviolet stands for how much one year differs from the next. An extreme summer can "
        "be worse."
    ),
    "single_year": (
        "The weather is one year of hourly values that repeats; one factor on the year's "
        "ultraviolet stands for how much one year differs from the next."
    ),
    "clock_power_arrhenius": (
        "Damage goes as irradiance to a power (reciprocity exponent) and with specimen temperature "
        "as Arrhenius's law says, under the lamp and under the sky alike."
    ),
    "clock_prior": (
        "Reciprocity exponent and activation energy come from models/materials, not from this "
        "study: one lamp setting says nothing about them."
    ),
    "uv_modelled": (
        "The site's ultraviolet is computed from its sunshine by a clear-sky model and a cloud "
        "power, then corrected by an uncertain factor; it is not measured. Do not claim better "
        "than 10 %."
    ),
    "specimen_temperature_modelled": (
        "Temperature of the fabric is computed from air temperature, sunshine and wind for a "
        "fabric of unstated colour. A dark fabric runs hotter."
    ),
    "moisture_not_modelled": (
        "Rain, dew and the lamp's spray are taken to act alike; wash-out of stabiliser and "
        "hydrolysis are part of the lab-to-sky factor only."
    ),
    "wetness_modelled": (
        "Light does more or less damage while the fabric is wet: with spray under the lamp, with "
        "rain and dew at the site, by one uncertain factor. Wash-out of stabiliser and hydrolysis "
        "are part of the lab-to-sky factor only."
    ),
    "dose_in_band": (
        "Light is counted in the band in which the lamp is controlled. How lamp and sky differ "
        "beside it, over wavelength, is part of the lab-to-sky factor only."
    ),
    "action_spectrum": (
        "Light of lamp and sky is weighted by the action spectrum of the material, whose slope is "
        "uncertain; light beyond 400 nm counts as harmless, and the computed sky below 315 nm is "
        "corrected by an uncertain factor. Where the lamp does more than the sun for the same dose "
        "in its band, as xenon arcs seem to at 340 nm, days get longer by it: measure your lamp."
    ),
    "uv_measured": (
        "The site's ultraviolet is computed from its sunshine and corrected by a measurement of "
        "ultraviolet there, with the uncertainty of the sensor."
    ),
    "hidden_horizon": (
        "The sun does not reach the fabric below the height of the horizon that was stated, the "
        "same all around."
    ),
    "covered_by_snow": (
        "Hours in which snow lies count as dark. Fabric that wind or slope clears of snow gets "
        "more light than that, and the days stated are then too many."
    ),
    "laid_at_random_day": (
        "Laid at 6 in the morning, local standard time, on a day of the month that is equally "
        "likely to be any; the days count from that hour."
    ),
    "part_spent_before": (
        "Time in the open before laying is counted: the dose it took, read on the same sky, is no "
        "longer there to be spent."
    ),
    "on_ground": (
        "The fabric lies on the ground and runs hotter than on a rack by a factor of "
        "models/translation.toml, drawn with its spread; no fabric on ground was measured. One "
        "that hangs on a rack (--on-rack) would be cooler and last longer."
    ),
    "on_rack": (
        "The fabric hangs on a rack in the wind, as was asked; on the ground it would run hotter."
    ),
    "part_light": (
        "Cover or shade lets part of the light through; irradiance is scaled by that share at all "
        "wavelengths alike, and its spread is not counted."
    ),
    "measured_weather": (
        "The weather is that measured on the days stated; nothing is added for the difference of "
        "one year from the next."
    ),
    "updated_by_strips": (
        "Draws are weighted by how likely the strips dug out are under each of them; strips of one "
        "place in one field are taken to be of one lot."
    ),
    "few_draws_left": (
        "The strips dug out agree with few of the draws, so the updated interval is rough: fit "
        "them as an outdoor exposure of the study instead."
    ),
    "laid_on_date": "Laid at 6 in the morning, local standard time, of the date stated.",
    "extrapolated": (
        "The median threshold dose lies beyond the largest dose tested; the law alone carries the "
        "answer from there on."
    ),
    "beyond_horizon": (
        "A limit lies beyond the number of years the translation counts; the number stated is a "
        "lower bound or the limit is left out."
    ),
    "lower_bound_only": (
        "The data give only a lower bound of the threshold dose, so days outdoors are stated as a "
        "lower bound."
    ),
    "upper_bound_only": (
        "Most was lost before the first withdrawal, so the data give only an upper bound of the "
        "threshold dose, and of the days. Days to cover rest on the prior: test at lower doses."
    ),
    "before_first_dose": (
        "The fraction was passed before the first withdrawal: the law carries it there."
    ),
    "cover_at_once": (
        "Less than one whole day can be assured: cover the product on the day of laying."
    ),
    "narrow": (
        "The interval is narrower than a factor of 1.3 either way, which is suspect for any "
        "reading of a laboratory dose as days outdoors (common practice, no source)."
    ),
    "threshold_may_not_exist": (
        "With some probability the fraction is never reached; days from those draws are unlimited."
    ),
    "ratio_belongs_to_fraction": (
        "The ratio is that of the threshold doses at the fraction stated, in the same direction "
        "and under the same lamp. Where the shape of the curve differs between materials it is "
        "another at another fraction."
    ),
    "packages_pooled": (
        "Packages of one study vary about a common level by a spread that the study informs (prior "
        "in models/priors.toml), so that the best of several is not taken for better than it is."
    ),
    "worse_direction": (
        "A package is taken at the worse of its directions, draw by draw: it lasts no longer than "
        "that."
    ),
    "price_given": "The price is the one that study.toml gives; its own uncertainty is not"
    " counted.",
    "ratio_undefined_in_part": (
        "In some draws neither material ever reaches the fraction, so their ratio does not exist; "
        "the limits are widened to hold any value there."
    ),
}


def explain(names: tuple[str, ...]) -> dict[str, str]:
    """The sentences of the names given, in their order; a LookupError names an unknown one.

    Examples
    --------
    >>> explain(("laid_on_date",))["laid_on_date"][:4]
    'Laid'
    """
    unknown = [name for name in names if name not in EXPLANATIONS]
    if unknown:
        raise LookupError(f"{unknown[0]} has no explanation; known: {', '.join(EXPLANATIONS)}")
    return {name: EXPLANATIONS[name] for name in names}


__all__ = ["EXPLANATIONS", "explain"]
