"""Repair of geometries: what is joined, split, set aside, and how it is told."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely

from geotools.intake.duplicates import duplicate_groups
from geotools.intake.lines import Parts
from geotools.intake.ragged import drop_close_vertices, line_lengths, take_lines


def layer(geometry, **columns):
    return geopandas.GeoDataFrame(columns, geometry=geometry, crs=32633)


def line_to(x, y):
    with np.errstate(invalid="ignore"):
        return shapely.LineString([(5e5, 5.2e6), (x, y)])


@pytest.mark.parametrize(
    ("bad", "rule", "words"),
    [
        (None, "no-geometry", "has no geometry"),
        (shapely.LineString(), "empty-geometry", "empty geometry"),
        (shapely.Point(5e5, 5.2e6), "wrong-geometry", "is a Point where LineString"),
        (shapely.LineString([(5e5, 5.2e6)] * 2), "zero-length", "has no length"),
        (line_to(np.nan, 0), "bad-coordinates", "not a number"),
        (line_to(np.inf, 0), "bad-coordinates", "not a number"),
        (line_to(2e8, 5.2e6), "bad-coordinates", "off the map"),
    ],
)
def test_what_cannot_be_used_is_set_aside_by_name(bad, rule, words, network, read, found, line):
    layers = read(mains=network([line((0, 0), (100, 0)), bad]))
    assert layers.mains.table["main_id"].tolist() == ["A"]
    row = found(layers, rule).iloc[0]
    assert (row["severity"], row["layer"], row["feature"]) == ("warning", "mains", "B")
    assert words in row["text"]
    assert "set aside" in row["text"]
    place = row["geometry"]
    assert (place is None) == (rule in ("no-geometry", "empty-geometry", "wrong-geometry"))
    assert layers.inputs["features_read"][0] == 2
    assert layers.inputs["features_used"][0] == 1


def test_every_feature_set_aside_has_its_own_finding(network, read, found, line):
    shapes = [line((0, 0), (100, 0)), *[None] * 50]
    layers = read(mains=network(shapes, main_id=list(range(51))))
    assert sorted(found(layers, "no-geometry")["feature"].astype(int)) == list(range(1, 51))


def test_an_empty_mains_layer_is_an_error(network, read, fault):
    text = fault(read, mains=network().iloc[:0])
    assert text == "mains (GeoDataFrame): holds no features; give a layer that holds the mains"


def test_an_empty_layer_is_given_and_empty(network, read, found):
    layers = read(mains=network(), valves=layer([], kind=[]), streets=layer([]), avoid=layer([]))
    assert len(layers.valves) == len(layers.streets) == len(layers.avoid) == 0
    rows = found(layers, "empty-layer")
    assert sorted(rows["layer"]) == ["avoid", "streets", "valves"]
    assert set(rows["severity"]) == {"warning"}
    assert layers.streets.offsets.tolist() == [0]


def test_layers_not_given_say_what_is_done_without_them(network, read, found):
    layers = read(mains=network())
    rows = found(layers, "layer-not-given").set_index("layer")["text"]
    assert layers.streets is None
    assert "intersections" in rows["streets"]
    assert "dem" in rows.index
    assert "mains" not in rows.index


def test_only_wrong_geometries_are_an_error_naming_the_remedy(network, read, fault, spot):
    text = fault(read, mains=network([spot(0, 0), spot(1, 1)]))
    assert "mains (GeoDataFrame)" in text
    assert "no LineString or MultiLineString but 2 Point" in text
    assert "convert the geometries" in text


def test_parts_that_meet_are_joined_and_keep_direction_and_levels(network, read, found, line):
    a, b = line((200, 0), (100, 0)), line((100, 0), (0, 0))
    frame = network([shapely.MultiLineString([a, b])], invert_start_m=[5.0], invert_end_m=[4.0])
    layers = read(mains=frame)
    assert layers.mains.table["main_id"].tolist() == ["A"]
    assert layers.mains.xy[[0, -1], 0].tolist() == [500_200, 500_000]
    assert layers.mains.table["invert_start"].tolist() == [5.0]
    assert found(layers, "multi-part-joined")["feature"].tolist() == ["A"]


def test_levels_are_dropped_where_the_ends_are_not_those_drawn(network, read, found, line):
    a, b = line((0, 0), (100, 0)), line((200, 0), (100, 0))  # the second is drawn backwards
    frame = network([shapely.MultiLineString([a, b])], invert_start_m=[5.0], invert_end_m=[4.0])
    layers = read(mains=frame)
    assert len(layers.mains) == 1
    assert layers.mains.table["invert_start"].isna().all()
    assert found(layers, "invert-dropped")["feature"].tolist() == ["A"]


def test_parts_that_do_not_meet_become_features_of_their_own(network, read, found, line):
    a, b = line((0, 0), (100, 0)), line((110, 0), (200, 0))
    frame = network([shapely.MultiLineString([a, b])], invert_start_m=[5.0])
    layers = read(mains=frame)
    assert layers.mains.table["main_id"].tolist() == ["A/1", "A/2"]
    assert layers.mains.table["feature"].tolist() == ["A/1", "A/2"]
    assert layers.mains.xy[:, 0].tolist() == [500_000, 500_100, 500_110, 500_200]
    assert layers.mains.table["invert_start"].isna().all()
    row = found(layers, "multi-part-split").iloc[0]
    assert row["feature"] == "A"
    assert "2 parts" in row["text"]
    assert found(layers, "invert-dropped")["feature"].tolist() == ["A"]
    assert layers.inputs["features_used"][0] == 1


@pytest.mark.parametrize(("east", "west"), [(179.999, -179.999), (-179.999, 179.999)])
@pytest.mark.parametrize("more", [False, True])
def test_a_main_cut_at_the_date_line_is_one_and_not_told_as_parted(
    read, network, found, east, west, more
):
    """RFC 7946 has a line cut there; only another gap makes it several."""
    half = 180.0 if east > 0 else -180.0
    shapes = [
        shapely.LineString([(east, -17.0), (half, -17.001)]),
        shapely.LineString([(-half, -17.001), (west, -17.002)]),
    ]
    if more:
        shapes.append(shapely.LineString([(west, -17.003), (west, -17.004)]))
    whole = shapely.LineString([(west, -17.01), (west, -17.02)])
    layers = read(mains=network([shapely.MultiLineString(shapes), whole], crs=4326))
    parts = ["A/1", "A/2", "B"] if more else ["A", "B"]
    assert layers.mains.table["main_id"].tolist() == parts
    length = line_lengths(layers.mains.xy, layers.mains.offsets)[:-1]
    over = np.hypot(212.9, 221.3)  # m; 0.002 deg of longitude and of latitude, WGS 84 at 17 S
    assert length.max() == pytest.approx(over, rel=2e-3)
    split, joined = (found(layers, f"multi-part-{rule}") for rule in ("split", "joined"))
    assert split["feature"].tolist() == ["A"] * more
    assert joined["feature"].tolist() == ["A"] * (not more)
    if more:
        assert "in 2 parts" in split["text"].iloc[0]


def test_parts_share_what_was_counted_on_the_main_by_length_and_have_the_rest_whole(
    network, read, line
):
    a, b = line((0, 0), (100, 0)), line((110, 0), (410, 0))
    frame = network(
        [shapely.MultiLineString([a, b]), line((0, 90), (100, 90))],
        main_id=["A", "B"], breaks=[4.0, 3.0], leakage_lps=[1.0, 0.5], diameter_mm=[300.0, 300.0],
        criticality=[3.0, 2.0], pressure_kpa=[400.0, 500.0], flow_lps=[20.0, 30.0],
    )  # fmt: skip
    table = read(mains=frame).mains.table.set_index("main_id")
    assert table["source_id"].tolist() == ["A", "A", "B"]
    assert table["breaks"].tolist() == pytest.approx([1.0, 3.0, 3.0])  # 100 and 300 m of 400
    assert table["leakage"].tolist() == pytest.approx([0.25e-3, 0.75e-3, 0.5e-3])
    assert table["criticality"].tolist() == [3.0, 3.0, 2.0]
    assert table["pressure"].tolist() == pytest.approx([4e5, 4e5, 5e5])
    assert table["flow"].tolist() == pytest.approx([0.02, 0.02, 0.03])
    assert table["diameter"].tolist() == pytest.approx([0.3] * 3)


def test_a_multi_part_of_one_is_no_finding(network, read, found, line):
    layers = read(mains=network([shapely.MultiLineString([line((0, 0), (100, 0))])]))
    assert layers.mains.table["main_id"].tolist() == ["A"]
    assert not found(layers, "multi-part-joined")["feature"].tolist()


def test_collections_give_their_lines(network, read, found, line, spot):
    inner = shapely.GeometryCollection([line((100, 0), (200, 0))])
    mixed = shapely.GeometryCollection([line((0, 0), (100, 0)), inner, spot(3, 3)])
    layers = read(mains=network([mixed]))
    assert layers.mains.xy[:, 0].tolist() == [500_000, 500_100, 500_200]
    assert found(layers, "mixed-collection")["feature"].tolist() == ["A"]


def test_a_collection_of_a_point_and_a_line_lies_at_its_point(network, read, found, line, spot):
    stem = line((55, 0), (60, 0))  # nearer to no end of a main than the point
    deep = shapely.GeometryCollection([shapely.GeometryCollection([spot(70, 1)]), stem])
    valves = layer([shapely.GeometryCollection([spot(20, 0), stem]), deep], kind=["gate"] * 2)
    layers = read(mains=network([line((0, 0), (100, 0))]), valves=valves)
    assert (layers.valves.xy[:, 0] - 500_000).tolist() == [20, 70]
    told = found(layers, "mixed-collection")
    assert len(told) == 2
    assert told["text"].str.contains("only its points were read").all()


def test_heights_in_the_vertices_are_left_out_and_told(network, read, found, line):
    layers = read(mains=network([line((0, 0, 7), (100, 0, 8))]))
    assert layers.mains.xy.shape == (2, 2)
    assert "height in their vertices" in found(layers, "z-ignored")["text"][0]


def test_a_line_that_crosses_itself_is_kept_and_told(network, read, found, line):
    knot = line((0, 0), (100, 0), (100, 50), (50, -50))
    zigzag = line((0, 100), (50, 120), (20, 140), (90, 160))
    layers = read(mains=network([knot, zigzag]))
    assert len(layers.mains) == 2
    rows = found(layers, "self-crossing")
    assert rows["feature"].tolist() == ["A"]
    assert "check the drawing" in rows["text"][0]


def test_doubled_vertices_go_and_the_ends_stay(network, read, line):
    start, middle = [(0, 0), (0.0005, 0)], [(50, 0), (50, 0.0002), (50, 0.0004)]
    layers = read(mains=network([line(*start, *middle, (100, 0), (100, 0.0009))]))
    assert layers.mains.xy.tolist() == [
        [500_000, 5_200_000],
        [500_050, 5_200_000],
        [500_100, 5_200_000.0009],
    ]


def test_a_line_drawn_in_steps_finer_than_the_tolerance_keeps_its_shape():
    angle = np.linspace(0, np.pi, 20_000)
    xy = np.column_stack([np.cos(angle), np.sin(angle)])  # half a circle in steps of 0.16 mm
    offsets = np.array([0, len(xy)])
    thin, ends = drop_close_vertices(xy, offsets, distance=1e-3)
    assert line_lengths(thin, ends)[0] == pytest.approx(np.pi, abs=1e-5)
    assert np.hypot(*np.diff(thin, axis=0).T).min() > 1e-3
    assert thin[[0, -1]].tolist() == xy[[0, -1]].tolist()


@pytest.mark.parametrize("shift", [0.0, 0.0009])
@pytest.mark.parametrize("back", [False, True])
def test_a_main_drawn_twice_is_set_aside_whatever_its_direction(
    shift, back, network, read, found, line
):
    a = line((0, 0), (60, 10), (100, 0))
    b = line((shift, 0), (60, 10), (100, 0))
    layers = read(mains=network([shapely.reverse(a) if back else a, b]))
    assert layers.mains.table["main_id"].tolist() == ["A"]
    row = found(layers, "duplicate-main").iloc[0]
    assert row["feature"] == "B"
    assert "same vertices as A, which was kept" in row["text"]


def test_mains_two_millimetres_apart_are_two(network, read, line):
    layers = read(mains=network([line((0, 0), (100, 0)), line((0, 0.002), (100, 0.002))]))
    assert len(layers.mains) == 2


def test_of_two_on_each_other_the_one_in_use_with_the_fuller_record_stays(
    network, read, found, line
):
    same = line((0, 0), (100, 0))
    frame = network(
        [same, same, same],
        diameter_mm=[300, 300, 400],
        status=["abandoned", "active", "active"],
        material=["CI", None, "DI"],
    )
    layers = read(mains=frame)
    assert layers.mains.table["main_id"].tolist() == ["C"]
    texts = dict(zip(*found(layers, "duplicate-main")[["feature", "text"]].T.values, strict=True))
    assert "records differ in material, status" not in texts["B"]
    assert "differ in diameter, material, status" in texts["A"]


def test_of_two_on_each_other_the_larger_stays_however_full_its_record_and_is_named(
    network, read, found, line
):
    """A main of 250 mm is not lined: were it kept, 120 m of 400 mm would drop out of the plan."""
    same = line((0, 0), (120, 0))
    frame = network(
        [same, same], diameter_mm=[250, 400], material=["CI", None], installed=[1950, None]
    )
    layers = read(mains=frame)
    assert layers.mains.table["main_id"].tolist() == ["B"]
    (text,) = found(layers, "duplicate-main")["text"]
    assert "B, which was kept with its diameter, 400 mm, not 250 mm" in text
    assert "set aside, 120.0 m" in text


def test_of_two_on_each_other_the_one_whose_owner_has_its_mains_lined_stays(
    network, read, found, line
):
    same = line((0, 0), (100, 0))
    frame = network([same, same], diameter_mm=[600, 400], owner=["Harbour ", "City"])
    rules = {"network": {"excluded_owners": ["harbour"]}}
    assert read(rules, mains=frame).mains.table["main_id"].tolist() == ["B"]
    assert read(mains=frame).mains.table["main_id"].tolist() == ["A"]


def test_duplicates_are_found_among_many_at_one_place():
    rng = np.random.default_rng(5)
    base = rng.uniform(0, 1e5, (300, 3, 2))
    twins = base[rng.permutation(300)[:120]][:, ::-1] + rng.uniform(-3e-4, 3e-4, (120, 3, 2))
    stack = np.repeat(base[:1], 50, axis=0)
    xy = np.concatenate([base, twins, stack])
    order = rng.permutation(len(xy))
    count = len(order)
    rows = np.arange(count)
    parts = Parts(
        xy[order].reshape(-1, 2),
        np.arange(0, 3 * count + 1, 3),
        rows,
        np.zeros(count, dtype=np.int64),
        np.ones(count, dtype=bool),
    )
    assert len(np.unique(duplicate_groups(parts))) == 300


def test_ragged_lines_are_taken_in_any_order():
    xy = np.arange(14.0).reshape(7, 2)
    taken, offsets = take_lines(xy, np.array([0, 2, 5, 7]), np.array([2, 0]))
    assert offsets.tolist() == [0, 2, 4]
    assert taken.tolist() == xy[[5, 6, 0, 1]].tolist()


def test_multi_points_are_taken_apart_and_share_their_customers(network, read, found, spot):
    both = shapely.MultiPoint([spot(10, 1), spot(20, 1)])
    layers = read(mains=network(), laterals=layer([both, spot(30, 1)], customers=[4, 3]))
    assert layers.laterals.xy[:, 0].tolist() == [500_010, 500_020, 500_030]
    assert layers.laterals.table["customers"].tolist() == [2, 2, 3]
    assert layers.laterals.table["feature"].tolist() == ["fid 0", "fid 0", "fid 1"]
    assert found(layers, "multi-point-split")["feature"].tolist() == ["fid 0"]
    assert layers.inputs["features_used"][1] == 2


def test_a_lateral_drawn_as_a_line_stands_at_its_end_at_the_main(network, read, line):
    towards, away = line((50, 12), (50, 1)), line((20, 0.5), (20, 12))
    parts = shapely.MultiLineString([line((80, 9), (80, 5)), line((80, 5), (80, 0))])
    layers = read(
        mains=network(), laterals=layer([towards, away, parts], critical=[True, False, None])
    )
    assert layers.laterals.xy.tolist() == [
        [500_050, 5_200_001],
        [500_020, 5_200_000.5],
        [500_080, 5_200_000],
    ]
    np.testing.assert_array_equal(layers.laterals.table["critical"], [1, 0, np.nan])


def test_lines_of_one_feature_that_do_not_meet_are_services_of_their_own(
    network, read, found, line
):
    """Three services, the first in pieces, one of which branches off within the other."""
    pieces = [line((10, 9), (10, 5), (10, 1)), line((10, 5), (14, 5))]
    parts = [*pieces, line((40, 1), (40, 9)), line((60, 8), (60, 2))]
    shape = shapely.MultiLineString([parts[k] for k in (2, 0, 3, 1)])
    layers = read(
        mains=network(), laterals=layer([shape, line((80, 9), (80, 1))], customers=[6, 2])
    )
    spots = sorted(zip(*layers.laterals.xy.T, layers.laterals.table["customers"], strict=True))
    near = [(500_010, 1, 2), (500_040, 1, 2), (500_060, 2, 2), (500_080, 1, 2)]
    assert spots == [(x, 5_200_000 + y, customers) for x, y, customers in near]
    told = found(layers, "multi-part-split")
    assert told["feature"].tolist() == ["fid 0"]
    assert "is 3 services in one feature" in told["text"].iloc[0]
    assert "equal share of the customers" in told["text"].iloc[0]
    assert layers.inputs["features_used"][1] == 2


@pytest.mark.parametrize("begin", [0, 1.5])
@pytest.mark.parametrize("gap", [0.3, 4])
def test_a_service_drawn_with_a_gap_is_one_service(begin, gap, network, read, found, line):
    """A gap as at a meter; a wide one if what is beyond it is far from every main."""
    parts = [line((10, begin), (10, 3)), line((10, 3 + gap), (10, 12))]
    layers = read(mains=network(), laterals=layer([shapely.MultiLineString(parts[::-1])]))
    assert layers.laterals.xy.tolist() == [[500_010, 5_200_000 + begin]]
    assert np.isnan(layers.laterals.table["customers"]).all()
    (told,) = found(layers, "service-in-pieces").itertuples()
    assert told.feature == "fid 0" and "in 2 pieces that do not meet" in told.text
    assert "taken as one service" in told.text
    assert found(layers, "multi-part-split").empty


def test_services_of_one_feature_side_by_side_at_a_main_are_not_joined_over_the_gap(
    network, read, found, line
):
    """Each of them has a piece beyond a gap as well; one crosses the main."""
    parts = [line((x, y), (x, 3)) for x, y in ((10, 0.2), (10.8, -9))]
    beyond = [line((x, 3.5), (x, 9)) for x in (9.9, 12)]
    shape = shapely.MultiLineString([*parts, beyond[0], line((10.8, 6), (10.8, 9))])
    layers = read(mains=network(), laterals=layer([shape], customers=[4]))
    assert sorted(layers.laterals.xy[:, 0].tolist()) == [500_010, 500_010.8]
    assert layers.laterals.table["customers"].tolist() == [2, 2]
    assert "taken as 2 services" in found(layers, "service-in-pieces")["text"].iloc[0]


def test_services_of_one_feature_that_are_all_far_from_the_mains_are_several(
    network, read, found, line
):
    parts = [line((x, y), (x, y + 5)) for x, y in ((10, 6), (40, 7), (40, 12.5))]
    layers = read(mains=network(), laterals=layer([shapely.MultiLineString(parts)]))
    assert layers.laterals.xy[:, 1].tolist() == [5_200_006, 5_200_007]


def test_a_service_among_others_of_one_feature_is_not_lost_without_a_word(
    network, read, found, line
):
    bad = shapely.MultiLineString([line((9, 9), (9, 1)), line_to(np.nan, 0)])
    layers = read(mains=network(), laterals=layer([bad]))
    assert layers.laterals.xy[:, 0].tolist() == [500_009]
    assert found(layers, "bad-coordinates")["feature"].tolist() == ["fid 0"]


def test_points_and_lines_may_be_mixed_in_laterals(network, read, found, line, spot):
    bad = line_to(np.nan, 0)
    layers = read(mains=network(), laterals=layer([line((9, 9), (9, 1)), spot(3, 1), bad]))
    assert layers.laterals.xy[:, 0].tolist() == [500_009, 500_003]
    assert found(layers, "bad-coordinates")["feature"].tolist() == ["fid 2"]


def test_an_invalid_polygon_is_repaired_and_told(network, read, found, spot):
    corners = [(0, 0), (10, 10), (10, 0), (0, 10)]
    bow = shapely.Polygon([(spot(*c).x, spot(*c).y) for c in corners])
    layers = read(mains=network(), districts=layer([bow], name=["north"]))
    assert shapely.is_valid(layers.districts.geometry).all()
    assert layers.districts.geometry[0].area == pytest.approx(50)
    row = found(layers, "invalid-polygon").iloc[0]
    assert row["feature"] == "fid 0"
    assert "check its outline" in row["text"]


def test_places_to_avoid_may_be_of_any_kind(network, read, found, line, spot):
    flat = shapely.Polygon([(5e5, 5.2e6), (5e5 + 10, 5.2e6), (5e5, 5.2e6 + 10), (5e5, 5.2e6)])
    bad = shapely.Point(np.nan, 1.0)
    shapes = [spot(1, 1), line((0, 0), (5, 5)), shapely.force_3d(flat), bad]
    layers = read(mains=network(), avoid=layer(shapes, hard=["yes", "no", "1", "0"], buffer_ft=1.0))
    kinds = [g.geom_type for g in layers.avoid.geometry]
    assert kinds == ["Point", "LineString", "Polygon"]
    assert not shapely.has_z(layers.avoid.geometry).any()
    assert layers.avoid.table["hard"].tolist() == [1, 0, 1]
    assert layers.avoid.table["buffer"].to_numpy() == pytest.approx(0.3048)
    assert found(layers, "bad-coordinates")["feature"].tolist() == ["fid 3"]


def test_a_line_among_districts_is_set_aside(network, read, found, line):
    box = shapely.box(5e5, 5.2e6, 5e5 + 10, 5.2e6 + 10)
    layers = read(mains=network(), districts=layer([box, line((0, 0), (5, 5))], name=["a", "b"]))
    assert layers.districts.table["name"].tolist() == ["a"]
    assert found(layers, "wrong-geometry")["feature"].tolist() == ["fid 1"]


def test_a_collection_among_districts_gives_its_polygons(network, read, line):
    a, b = (
        shapely.box(5e5, 5.2e6, 5e5 + 10, 5.2e6 + 10),
        shapely.box(4e5, 5.2e6, 4e5 + 5, 5.2e6 + 5),
    )
    mixed = shapely.GeometryCollection([a, line((0, 0), (5, 5)), shapely.MultiPolygon([b])])
    layers = read(mains=network(), districts=layer([mixed], name=["both"]))
    district = layers.districts.geometry[0]
    assert district.geom_type == "MultiPolygon"
    assert district.area == pytest.approx(125)


@pytest.mark.parametrize("there", [(-500_000.0, -5_200_000.0), (90_000.0, 0.0)])
def test_a_main_far_from_all_others_is_named(there, network, read, found, line):
    town = [line((0, 100 * k), (900, 100 * k)) for k in range(20)]
    x, y = there
    layers = read(mains=network([*town, line((x, y), (x + 500, y))]))
    told = found(layers, "far-main")
    assert told["feature"].tolist() == ["U"]  # the 21st of A, B, ...
    assert "check its coordinates" in told["text"][0]


@pytest.mark.parametrize("villages", [1, 3])
def test_villages_far_from_a_town_are_no_slip(villages, network, read, found, line):
    town = [line((0, 100 * k), (900, 100 * k)) for k in range(8)]
    away = [line((70_000 * v, 100 * k), (70_000 * v + 400, 100 * k)) for v in range(1, villages + 1)
            for k in range(4)]  # fmt: skip
    assert found(read(mains=network([*town, *away])), "far-main").empty


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ([((0, 0), (50, 0)), ((50, 0), (90, 0)), ((50, 0), (50, 40))], "that meet, but branch"),
        ([((0, 0), (50, 0)), ((60, 0), (90, 0))], "that do not meet"),
        ([((0, 0), (50, 0), (50, 9), (0, 0)), ((60, 0), (90, 0))], "that do not meet"),
    ],
)
def test_parts_that_branch_are_not_told_as_parts_that_do_not_meet(
    parts, words, network, read, found, line
):
    shape = shapely.MultiLineString([line(*part) for part in parts])
    assert words in found(read(mains=network([shape])), "multi-part-split")["text"][0]
