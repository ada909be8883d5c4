"""Side of the road: towns on either side of the border between left and right, common knowledge.

Longitudes and latitudes of towns in degrees, to a hundredth, as any atlas has them.
"""

from __future__ import annotations

import pytest

from geotools.street.driving import keeps_left

LEFT = {
    "London": (-0.13, 51.51), "Dover": (1.31, 51.13), "Plymouth": (-4.14, 50.37),
    "Norwich": (1.30, 52.63), "Dublin": (-6.26, 53.35), "Valletta": (14.51, 35.90),
    "Nicosia": (33.37, 35.17), "Cape Town": (18.42, -33.92), "Johannesburg": (28.05, -26.20),
    "Windhoek": (17.08, -22.56), "Lusaka": (28.28, -15.42), "Dar es Salaam": (39.27, -6.80),
    "Nairobi": (36.82, -1.29), "Kampala": (32.58, 0.32), "Delhi": (77.21, 28.61),
    "Chennai": (80.27, 13.08), "Dhaka": (90.41, 23.81), "Karachi": (67.01, 24.86),
    "Islamabad": (73.05, 33.68), "Kathmandu": (85.32, 27.71), "Colombo": (79.86, 6.93),
    "Tokyo": (139.69, 35.68), "Fukuoka": (130.40, 33.59), "Sapporo": (141.35, 43.06),
    "Bangkok": (100.50, 13.75), "Khon Kaen": (102.83, 16.43), "Kuala Lumpur": (101.69, 3.14),
    "Singapore": (103.82, 1.35), "Jakarta": (106.83, -6.20), "Hong Kong": (114.16, 22.30),
    "Sydney": (151.21, -33.87), "Perth": (115.86, -31.95), "Auckland": (174.76, -36.85),
    "Kingston": (-76.79, 17.97), "Nassau": (-77.35, 25.05), "Bridgetown": (-59.62, 13.10),
    "Port of Spain": (-61.51, 10.65), "Georgetown": (-58.16, 6.80),
}  # fmt: skip
RIGHT = {
    "Calais": (1.86, 50.95), "Boulogne": (1.61, 50.73), "Dieppe": (1.08, 49.92),
    "Cherbourg": (-1.62, 49.64), "Dunkirk": (2.38, 51.03), "Brussels": (4.35, 50.85),
    "Torshavn": (-6.77, 62.01), "Stavanger": (5.73, 58.97), "Latakia": (35.78, 35.52),
    "Lubumbashi": (27.48, -11.66), "Lubango": (13.49, -14.92), "Bujumbura": (29.36, -3.38),
    "Kigali": (30.06, -1.95), "Mogadishu": (45.34, 2.04), "Antananarivo": (47.52, -18.91),
    "Saint-Denis de la Reunion": (55.45, -20.88), "Jalalabad": (70.45, 34.43),
    "Zahedan": (60.86, 29.50), "Lhasa": (91.12, 29.65), "Sittwe": (92.90, 20.15),
    "Myawaddy": (98.51, 16.69), "Vientiane": (102.60, 17.97), "Poipet": (102.56, 13.66),
    "Zamboanga": (122.08, 6.91), "Shenzhen": (114.06, 22.54), "Zhuhai": (113.58, 22.27),
    "Busan": (129.08, 35.18), "Taipei": (121.57, 25.03), "Shanghai": (121.47, 31.23),
    "Vladivostok": (131.89, 43.12), "Noumea": (166.46, -22.28), "Miami": (-80.19, 25.76),
    "Santiago de Cuba": (-75.82, 20.02), "San Juan": (-66.11, 18.47), "Marigot": (-63.09, 18.07),
    "Pointe-a-Pitre": (-61.53, 16.24), "Fort-de-France": (-61.07, 14.61),
    "Caracas": (-66.90, 10.49), "Cayenne": (-52.33, 4.93), "Boa Vista": (-60.67, 2.82),
}  # fmt: skip


@pytest.mark.parametrize("town", LEFT)
def test_where_traffic_keeps_to_the_left_is_known(town: str) -> None:
    assert keeps_left(*LEFT[town])


@pytest.mark.parametrize("town", RIGHT)
def test_no_town_where_traffic_keeps_to_the_right_is_taken_for_one(town: str) -> None:
    assert not keeps_left(*RIGHT[town])
