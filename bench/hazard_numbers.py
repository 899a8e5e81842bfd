"""Numbers that the hazards warn by, each with its source, in one place so that a holder of the standard can correct it.

Rule: each number is a threshold for a warning, never a design value.
"""

from __future__ import annotations

from datetime import UTC, datetime

#: Metal hotter than this burns in seconds. From memory of ISO 13732-1 and ASTM C1055 (about 60 °C for 5 s on bare
#: metal), not seen.
BURN_C = 60.0

#: Metal warmer than this burns when held on to. From memory of ISO 13732-1 (43 °C for 8 h), not seen.
WARM_C = 43.0

#: Metal colder than this freezes skin in seconds. From memory of ISO 13732-3, not seen.
FROSTBITE_C = -20.0

#: Risk of frostbite in longer contact. Geng et al. 2006, as quoted.
CHILL_C = 0.0

BURN_SOURCE = "from memory of ISO 13732-1, not seen"
FROST_SOURCE = "from memory of ISO 13732-3, not seen"
CHILL_SOURCE = "contact temperatures of Geng et al. 2006"

#: Dew-point formula of Alduchov & Eskridge 1996 over water: constants 17.625 and 243.04 °C.
MAGNUS_B, MAGNUS_C = 17.625, 243.04

#: Highest DC voltage that may be touched, dry and wet. From memory of IEC 61010-1, 6.3, not seen.
TOUCH_DRY_V, TOUCH_WET_V = 60.0, 35.0
TOUCH_SOURCE = "from memory of IEC 61010-1, 6.3, not seen"

#: A limiter stands this far above the highest set point: 2 … 5 K, as chamber manuals say.
LIMITER_LEAST_K, LIMITER_MOST_K = 2.0, 5.0
LIMITER_SOURCE = "DIN 12880 limiter classes, as chamber manuals describe them"

#: Air with less oxygen is deficient: 29 CFR 1910.146. Litres of gas at 20 °C from a litre of liquid nitrogen: computed.
LEAST_OXYGEN_PERCENT, NITROGEN_EXPANSION = 19.5, 694
OXYGEN_SOURCE = "29 CFR 1910.146 (19.5 % oxygen); local codes decide"

#: Carbon dioxide: average over 8 h and short-term value of NIOSH (OSHA has the same average), in parts per million.
CO2_AVERAGE_PPM, CO2_SHORT_PPM = 5_000, 30_000
CO2_SOURCE = "NIOSH recommended limits for carbon dioxide; local codes decide"

#: Air drier than this charges people and cables more. Common practice, no source.
DRY_AIR_PERCENT = 30.0

#: What the usual precautions are made for, as models of a person and of a charged device.
ESD_HUMAN_V, ESD_DEVICE_V = 100, 200
ESD_SOURCE = "ANSI/ESD S20.20-2021"

#: Gain rises in the cold, by several dB in some amplifiers. From memory, no source seen.
COLD_GAIN_DB = 3.0

#: A level at the unit's input nearer to its rating is a warning. Ours: twice the doubt of a level that is set by hand.
INPUT_MARGIN_DB = 3.0

#: A supply voltage above this share of the rating leaves no room for a protection that is good to a few per cent. Ours.
SUPPLY_SHARE = 0.95

#: A ramp above this share of the part's rating leaves no room for a chamber that overshoots its rate. Ours.
RAMP_SHARE = 0.8

#: Bytes that a store grows by for each condition and repeat, most of it the recording, and for each point of a sweep.
#: Measured on the shipped overnight sequence: 8.9 MB for 1,708 conditions, 5.2 kB each; taken double, as other
#: instruments say more. A point is four complex numbers of 16 bytes and their text in the recording.
CONDITION_BYTES, POINT_BYTES = 10_000, 200

#: What an empty store, its journal and the report of a run take besides. Ours: the shipped report is below 10 MB.
RUN_BYTES = 20_000_000

#: Free space below this many times the need is a warning. Ours: others write to the same disk overnight.
DISK_RESERVE = 5.0

#: The machine's clock is wrong if it says anything earlier: this version is younger. Or later: ours.
CLOCK_FROM, CLOCK_TO = datetime(2026, 1, 1, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)

COMMON = "common practice, no source"
