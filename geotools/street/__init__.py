"""The street around a station: intersections and corridors."""
