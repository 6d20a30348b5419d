"""The site file to fill in: every table once, explained, nothing assumed."""

SITE_TEMPLATE = '''\
# Site file: the standing list of what you own and how you work. Keep it as
# eo-risk/site.toml in your configuration folder, or name it with --site.
# Every table and field is optional; leave out what you do not know. A number may be text
# with a unit ("131 F", "12 Fr", "27 inHg vacuum"); a pressure with a unit says absolute,
# gauge or vacuum. No patient names or numbers belong in this file.

schema_version = 1
name = "our hospital"
# site_minimum_aeration_h = "... h"
# limits_file = "our_limits.toml"  # limits in a file of their own, beside this one

[rules]
edition = "iso10993-7:2008+A1"
# jurisdiction = "eu"              # us eu uk de fr ca jp kr
# glycol_reference = "ich_q3c"
# glycol_above_reference = "block" # block or warn
# irradiated_chlorinated = "warn"  # stop warn off
# full_load = "off"                # on or off
# time_zone = "Europe/Berlin"      # IANA name; times without an offset are read in it
# ambient_kpa = "... mbar absolute"
# lightest_patient_kg = "... kg"   # used where an item names no body mass

[units_shown]
temperature = "C"                  # C or F
pressure = "kPa"                   # kPa mbar bar psi inHg mmHg
length = "mm"                      # mm or in
mass = "g"                         # g or oz
volume = "L"                       # L or mL

[usual]                            # for items of a list or a new load that leave it unknown
# rinse_water = "treated"          # treated tap saline
# lubricant = "none"               # none water_based oil
# irradiated_before = "no"

# A plan then says "cycle": "usual cycle", or {"name": "usual cycle", "exposure_h": 4}
# to change one field.
[[steriliser]]
name = "steriliser 1"
volume_l = "unknown"

[[cycle]]
name = "usual cycle"
steriliser = "steriliser 1"
temperature_c = "unknown"
eo_mg_per_l = "unknown"
exposure_h = "unknown"
conditioning_rh_percent = "unknown"
# evacuation_kpa evacuation_min conditioning_min injection_min total_pressure_kpa
# washes = { count, low_kpa, high_kpa, minutes_each } gas = { eo_mass_percent, balance }
# transfer_min length_h; chamber pressures are absolute

[[aerator]]
name = "cabinet"
place = "cabinet"                  # chamber cabinet room
temperature_c = "unknown"
air_changes_per_h = "unknown"
# free_volume_l; holds_other_load = "yes" when another load is in it

[[aeration]]
name = "usual aeration"
steps = [{ aerator = "cabinet", hours = "unknown" }]

[[room]]
name = "our room"
volume_m3 = "unknown"
air_changes_per_h = "unknown"

[[packaging]]
name = "our wrap"
packaging = "nonwoven_wrap"        # one of the packaging ids

# A plan then says { "device": "our scope", "droplets_seen": "no" }; fields as in a plan's item.
[[device]]
name = "our scope"
packaging = "our wrap"
# lightest_patient_kg = "... kg"
parts = [{ name = "sheath", material = "polyurethane_unknown", shape = "tube" }]
lumens = [{ name = "working channel", open_ends = 2, wall_part = "sheath" }]

# Your own measured numbers, with their source; see `eo-risk materials` for the quantities.
# [[material_record]]
# id = "our-silicone-diffusivity"
# material = "silicone"
# quantity = "diffusivity"
# value = ...
# low = ...                        # 5 % point
# high = ...                       # 95 % point
# unit = "cm2/s"
# status = "measured"              # measured derived estimated
# source = "report number"
# locator = "table"
# temperature_c = 50               # a diffusivity or half-life: where it was measured, else 25
# items = ["our scope"]            # devices it holds for, else every item of the material
#
# `eo-risk lab ... --save-record THIS_FILE` writes what laboratory results tell: diffusivity,
# uptake, slow_pool.fraction, slow_pool.half_life, and the start_level of a device (mg), which
# names the gas exposure before it and holds after such a one only:
# after_exposure_h = 3
# after_eo_mg_per_l = 600
# after_temperature_c = 50
#
# A polymer that `eo-risk materials` does not list: write the part as
#   { name = "plug, PBT", material = "food_contact_pbt", density_g_per_cm3 = 1.31, ... }
# The last resort: a factor of 30 either way and always a Hold, until a material_record of
# its diffusivity stands here.

# A limit of your own or of the maker; the stricter one governs. With
# edition = "iso10993-7:2026" it fills that edition, of which no figures are shipped.
# [[limit]]
# category = "limited"             # limited prolonged permanent any special
# substance = "EO"                 # EO or ECH
# quantity = "mg_per_device"       # mg_per_device ug_per_cm2 ug_per_lens
# period = "24h"                   # day 24h 30d lifetime total contact
# limit = ...
# unit = "mg"
# source = "document, clause and page"
'''
