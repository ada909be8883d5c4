"""The plan handed over: GeoPackage and its companions."""
