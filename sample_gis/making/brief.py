"""The brief that goes with the district."""

from __future__ import annotations

TEXT = """\
# Brief for the invented district of Wexlow: what to read, and how to plan.
# Quantities are text with their unit ("550 m", "24 in", "235 psi"). A setting left out takes
# its default; whatever was used, and where it came from, is written to the plan's `settings`.
# Paths are relative to this file. Planning values only: local codes and licensed practice decide.

[inputs]
mains = "district.gpkg:mains"
fittings = "district.gpkg:fittings"
valves = "district.gpkg:valves"
laterals = "district.gpkg:laterals"
hydrants = "district.gpkg:hydrants"
sources = "district.gpkg:sources"
streets = "district.gpkg:streets"
avoid = "district.gpkg:avoid"
districts = "district.gpkg:districts"
pit_edits = "district.gpkg:pit_edits"
dem = "dem.tif"

# A layer with other field names has a table of its own (left: our field, right: the file's
# column). Take out its line above, here that of mains, and the # before these three lines:
# [inputs.mains]
# source = "network.shp"
# fields = { main_id = "ASSET", diameter_in = "DIA", installed = "YEAR_LAID" }

[network]
snap_tolerance = "0.3 m"        # the joints of the records gape by up to 8 cm
min_diameter = "300 mm"         # smaller mains are cheaper to trench
excluded_statuses = ["abandoned", "proposed"]

[ground]
step = "10 m"
assumed_cover = "1.3 m"         # where the records hold neither cover nor invert
survey_accuracy = "0.5 m"       # wiggles below this are survey noise, not bends

[service]
water_table = "1.5 m"           # below the surface

[carrier]
system = "METRIC"               # what the local market sells; the rest is chosen run by run
temperature = "20 degC"
larger_for = 0.05               # a larger bore is worth a twentieth of the cost

[pits]
max_depth = "5 m"
clear_of_intersection = "10 m"
ramp = "level"                  # the string rests on rollers; "lifted" needs a shorter pit

[pulls]
max_length = "500 m"
friction = 0.5                  # dry host, scraped
machine_capacity = "600 kN"
piece_length = "12 m"

[rates]
currency = "crowns"             # invented, like every rate: put your own here

[output]
units = "si"
"""
