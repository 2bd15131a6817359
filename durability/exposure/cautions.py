"""What does each caution about light, lamp and weather mean?"""

FLAGS: dict[str, str] = {
    "specimen_temperature_assumed": "The specimen's temperature under the lamp was not measured or "
    "fully stated; it is assumed, with an uncertainty.",
    "record_has_gaps": "The chamber record has gaps; no dose is counted in them.",
    "record_differs_from_nominal": "The chamber record gives another dose than set point and "
    "cycle; the record is used.",
    "record_ends_early": "Strips were withdrawn after the chamber record ends; its mean rate is "
    "carried on.",
    "out_of_tolerance": "A quantity of the chamber was outside the tolerance of the practice for "
    "more than a twentieth of the time in which it is judged.",
    "chamber_interrupted": "The lamp was dark where its cycle asks for light; no dose is counted "
    "then, and withdrawals by the clock came with less dose.",
    "irradiance_drifts": "The logged irradiance moved steadily between two checks of the sensor: "
    "lamp, filter or sensor is ageing.",
    "departs_from_practice": "A setting of the exposure is not that of the practice its lamp file "
    "describes; the study's setting is used.",
    "weather_time_doubtful": "The site's sunlight fits the sun better at another hour; time "
    "zone or time stamps may be wrong.",
    "weather_gaps_filled": "Short gaps in the site's weather were filled in a straight line.",
    "snow_not_counted": "Light thrown back by snow is not counted; days computed for months with "
    "snow may be too many.",
    "outdoor_weather_of_a_usual_year": "Strips in the open are counted with the site's year of "
    "weather, unless its file holds the days they lay there; one year's difference from another is "
    "part of the uncertainty.",
    "leap_day_dropped": "29 February of the weather file is left out, so that the year has 365 "
    "days.",
    "weather_parts_disagree": "Beam and diffuse sunlight of the weather file do not add up to its "
    "global sunlight; columns may be exchanged.",
    "beam_estimated": "Beam and diffuse sunlight were not measured; they are estimated from global "
    "sunlight.",
    "wind_assumed": "Wind was not measured; a light breeze is taken, so that fabric is computed "
    "rather too warm than too cool.",
    "years_left_out": "Years of the weather file that are not whole are left out.",
    "monthly_climate": "The site's weather is a table of monthly means; hours are made from it, "
    "with a correction of its known bias and a wider uncertainty.",
}
