"""How much light and heat was delivered, by lamp or by sky?

Lamps and chamber records give dose and specimen temperature of a study's exposures
(`with_dose`, `with_doses`, `delivery`); hourly weather gives ultraviolet irradiance and specimen
temperature of a site (`read_site`, `sky_exposure`, `specimen_temperature`); `effective_rate` puts
both on one clock. Assumptions are read from models/, each with its spread and source.
"""

from durability.exposure.assumption import (
    Assumption,
    material_assumptions,
    translation_assumptions,
)
from durability.exposure.bands import Converted, Spectrum, convert_dose, read_spectrum, spectra
from durability.exposure.cautions import FLAGS
from durability.exposure.chamber import Chamber, chamber, chambers, read_in_band
from durability.exposure.clock import effective_rate
from durability.exposure.delivery import Delivery, delivery, hours_of_dose
from durability.exposure.departures import Departure, departure_cautions, departures
from durability.exposure.dosing import delivery_cautions, with_dose, with_doses
from durability.exposure.lamp import Lamp, lamps, read_lamp
from durability.exposure.outdoor import SKY_BANDS, OutdoorClock, outdoor_clock, site_clock
from durability.exposure.runs import RunCheck, run_check
from durability.exposure.site import Site, read_site, sites
from durability.exposure.sky import sky_exposure
from durability.exposure.temperature import effective_temperature, specimen_temperature
from durability.exposure.withdrawals import planned_withdrawals
from durability.exposure.years import Year, year_to_year

__all__ = [
    "FLAGS",
    "SKY_BANDS",
    "Assumption",
    "Chamber",
    "Converted",
    "Delivery",
    "Departure",
    "Lamp",
    "OutdoorClock",
    "RunCheck",
    "Site",
    "Spectrum",
    "Year",
    "chamber",
    "chambers",
    "convert_dose",
    "delivery",
    "delivery_cautions",
    "departure_cautions",
    "departures",
    "effective_rate",
    "effective_temperature",
    "hours_of_dose",
    "lamps",
    "material_assumptions",
    "outdoor_clock",
    "planned_withdrawals",
    "read_in_band",
    "read_lamp",
    "read_site",
    "read_spectrum",
    "run_check",
    "site_clock",
    "sites",
    "sky_exposure",
    "specimen_temperature",
    "spectra",
    "translation_assumptions",
    "with_dose",
    "with_doses",
    "year_to_year",
]
