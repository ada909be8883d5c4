"""The joint schedule: how many joints, where they come to rest, in what window they are made."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.deliver.joints.procedure import read_procedure
from geotools.deliver.joints.reasons import rarest_first
from geotools.deliver.joints.schedule import Machine, joint_schedule, pieces_of
from geotools.deliver.read_plan import read_plan
from geotools.errors import LayerError
from geotools.pipe.fusion import joint_count

PlanWriter = Callable[..., Path]
FOOT = 0.3048
INCH = FOOT / 12
PSI = 6894.757293168


def joints_of(path: Path, **options: Any) -> Any:
    return joint_schedule(read_plan(path), **options).joints


# Arithmetic of ceil(L/piece) - 1, worked by hand: 1000 ft in pieces of 40, 45, 50 ft.
@pytest.mark.parametrize(("piece", "joints"), [("40 ft", 24), ("45 ft", 22), ("50 ft", 19)])
@pytest.mark.parametrize("units", ["si", "us"])
def test_joints_of_a_thousand_feet(
    write_plan: PlanWriter, piece: str, joints: int, units: str
) -> None:
    path = write_plan(units=units, settings={"pulls.piece_length": piece})
    assert len(joints_of(path)) == joints


@pytest.mark.parametrize(
    ("carrier", "soak", "cool"),
    # ASTM F2620, from memory: 4.5 and 11 min per inch of wall, OD 21.6 and 25.8 in, DR 17
    [("20 in DIPS DR 17 PE4710", 5.7, 14.0), ("24 in DIPS DR 17 PE4710", 6.8, 16.7)],
)
def test_window_of_polyethylene(
    write_plan: PlanWriter, carrier: str, soak: float, cool: float
) -> None:
    made = joint_schedule(read_plan(write_plan(carrier=carrier)))
    row = made.joints.iloc[0]
    assert row["soak"] / 60 == pytest.approx(soak, abs=0.05)
    assert row["cool"] / 60 == pytest.approx(cool, abs=0.05)
    assert [row[f"interfacial{n}"] / PSI for n in ("_low", "", "_high")] == pytest.approx(
        [60, 75, 90]
    )
    assert row["heater_low"] * 1.8 + 32 == pytest.approx(400)
    assert row["heater_high"] * 1.8 + 32 == pytest.approx(450)
    assert row["procedure"] == "ASTM F2620"
    assert row["outside"] / row["wall"] == pytest.approx(row["dr"])
    assert made.gaps == ()


# ISO 21307, from memory: wall 32.3 mm; 0.17 and 0.52 MPa.
@pytest.mark.parametrize(
    ("procedure", "cool", "pressure"), [("iso_slp", 20.5, 0.17e6), ("iso_shp", 13.9, 0.52e6)]
)
def test_window_of_the_iso_procedures(
    write_plan: PlanWriter, procedure: str, cool: float, pressure: float
) -> None:
    own = {"carrier.own": ["own 549; PE100; 549 mm; 32.3 mm"]}
    made = joint_schedule(
        read_plan(write_plan(carrier="own 549", settings=own)), procedure=procedure
    )
    row = made.joints.iloc[0]
    assert row["cool"] / 60 == pytest.approx(cool, abs=0.05)
    assert row["interfacial"] == pytest.approx(pressure)
    assert np.isnan([row["soak"], row["removal"], row["bead"]]).all()  # not known: not invented
    assert made.gaps == ()


def test_gauge_pressure_of_the_worked_joint(write_plan: PlanWriter) -> None:
    # OD 21.6 in, DR 17, piston 15.32 in2, 75 psi: 397 psi and the drag (ASTM F2620, from memory)
    plan = read_plan(write_plan())
    machine = Machine(piston_area=15.32 * INCH**2, drag=30 * PSI)
    row = joint_schedule(plan, machine=machine).joints.iloc[0]
    assert row["gauge"] / PSI == pytest.approx(397 + 30, abs=0.5)
    assert (row["gauge_low"] - machine.drag) / (row["gauge"] - machine.drag) == pytest.approx(0.8)
    assert (row["gauge_high"] - machine.drag) / (row["gauge"] - machine.drag) == pytest.approx(1.2)
    low = joint_schedule(plan, machine=machine, procedure="iso_slp").joints.iloc[0]
    assert low["gauge"] - machine.drag == pytest.approx(
        (row["gauge"] - machine.drag) * 0.17e6 / (75 * PSI)
    )
    assert joints_of(write_plan())[["gauge_low", "gauge", "gauge_high"]].isna().all(axis=None)


def test_gauge_pressure_is_empty_where_no_window_is_known(
    write_plan: PlanWriter, tmp_path: Path
) -> None:
    machine = Machine(piston_area=1e-2, drag=0.0)
    plan = read_plan(write_plan(carrier=PVC))
    assert joint_schedule(plan, machine=machine).joints["gauge"].isna().all()
    own = read_procedure(procedure_file(tmp_path, PROCEDURE))
    row = joint_schedule(plan, own=own, machine=machine).joints.iloc[0]
    assert np.isnan(row["gauge"])  # the procedure gives no pressure to aim at
    assert row["gauge_high"] / row["gauge_low"] == pytest.approx(1.2)
    wild = PROCEDURE.replace("120 psi", "900 psi")
    with pytest.raises(LayerError, match="interfacial_pa"):
        joint_schedule(plan, own=read_procedure(procedure_file(tmp_path, wild)), machine=machine)


def test_head_rests_at_the_receiving_pit(write_plan: PlanWriter) -> None:
    length = 30.0
    pulls = [
        {"pull_id": "A", "start": 10.0, "end": 40.0, "length": length, "direction": "ahead"},
        {"pull_id": "B", "start": 60.0, "end": 90.0, "length": length, "direction": "behind"},
    ]
    joints = joints_of(write_plan(pulls, settings={"pulls.piece_length": "12 m"}))
    ahead, behind = (joints[joints["pull_id"] == name] for name in ("A", "B"))
    # pieces of 12, 12 and 6 m from the head: at 40 going back, at 60 going on
    assert ahead["chainage"].tolist() == pytest.approx([28.0, 16.0])
    assert behind["chainage"].tolist() == pytest.approx([72.0, 84.0])
    assert ahead["piece_after"].tolist() == pytest.approx([12.0, 12.0])
    assert ahead["piece_before"].tolist() == pytest.approx([12.0, 6.0])
    assert behind["piece_before"].tolist() == pytest.approx([12.0, 12.0])
    assert behind["piece_after"].tolist() == pytest.approx([12.0, 6.0])
    assert joints["joint_id"].tolist() == ["A-J1", "A-J2", "B-J1", "B-J2"]


def test_joint_lies_on_the_axis_at_its_chainage(write_plan: PlanWriter) -> None:
    joints = joints_of(write_plan())
    xy = shapely.get_coordinates(joints.geometry.to_numpy())
    np.testing.assert_allclose(xy[:, 0], 500_000 + joints["chainage"], atol=1e-6)
    np.testing.assert_allclose(xy[:, 1], 4_000_000, atol=1e-6)
    assert joints.crs.to_epsg() == 26917


def test_joint_lies_on_the_axis_in_degrees_too(write_plan: PlanWriter, tmp_path: Path) -> None:
    path = write_plan()
    degrees = tmp_path / "degrees.gpkg"
    for layer in ("runs", "pits", "pulls", "settings"):
        frame = gpd.read_file(path, layer=layer)
        frame = frame.to_crs(4326) if isinstance(frame, gpd.GeoDataFrame) else frame
        pyogrio.write_dataframe(frame, degrees, layer=layer)
    here, there = joints_of(path), joints_of(degrees)
    assert there.crs.to_epsg() == 4326
    back = there.to_crs(here.crs)
    assert back.distance(here).max() < 1e-3


STRINGS = [
    {"string_id": "S1", "pull_id": "R1-L1", "number": 1, "length": 100.0},
    {"string_id": "S2", "pull_id": "R1-L1", "number": 2, "length": 90.0},
    {"string_id": "S3", "pull_id": "R1-L1", "number": 3, "length": 10.0},
]
LONG = {"start": 10.0, "end": 210.0, "length": 200.0}


def test_joints_between_strings_are_marked_and_placed(write_plan: PlanWriter) -> None:
    path = write_plan([LONG], strings=STRINGS, settings={"pulls.piece_length": "12 m"})
    joints = joints_of(path)
    # 100 m: 9 pieces, the last 4 m; 90 m: 8, the last 6 m; 10 m: one piece
    assert len(joints) == 9 + 8 + 1 - 1
    between = joints[joints["intermediate"]]
    assert between["number"].tolist() == [9, 17]
    assert between["chainage"].tolist() == pytest.approx([110.0, 20.0])
    assert between["string_id"].tolist() == ["S2", "S3"]  # the one that is joined on
    assert between["piece_after"].tolist() == pytest.approx([4.0, 6.0])
    assert between["piece_before"].tolist() == pytest.approx([12.0, 10.0])
    assert joints["number"].tolist() == list(range(1, 18))


def test_strings_count_from_the_pit_whatever_their_order_in_the_file(
    write_plan: PlanWriter,
) -> None:
    path = write_plan([LONG], strings=STRINGS)
    turned = write_plan([LONG], strings=STRINGS[::-1], name="turned.gpkg")
    assert joints_of(path).equals(joints_of(turned))


def test_surplus_sticks_out_at_both_ends(write_plan: PlanWriter) -> None:
    short = {"start": 10.0, "end": 40.0, "length": 30.0}
    path = write_plan([short], settings={"pulls.piece_length": "12 m"})
    joints = joints_of(path, tail=3.0)
    # 36 m of carrier, three whole pieces; the head 3 m beyond the edge of the pit at 40 m
    assert joints["chainage"].tolist() == pytest.approx([31.0, 19.0])
    assert joints["piece_before"].tolist() == pytest.approx([12.0, 12.0])
    longer = [{"string_id": "S1", "pull_id": "R1-L1", "number": 1, "length": 36.0}]
    same = write_plan(
        [short], strings=longer, name="b.gpkg", settings={"pulls.piece_length": "12 m"}
    )
    assert joints_of(same)["chainage"].tolist() == pytest.approx([31.0, 19.0])


def test_tails_are_those_the_plan_orders_half_at_each_end(write_plan: PlanWriter) -> None:
    pulls = [
        {"pull_id": "A", "start": 10.0, "end": 40.0, "length": 30.0, "direction": "ahead"},
        {"pull_id": "B", "start": 60.0, "end": 90.0, "length": 30.0, "direction": "behind"},
        {"pull_id": "C", "start": 100.0, "end": 130.0, "length": 30.0},
    ]
    path = write_plan(
        pulls, settings={"pulls.piece_length": "12 m"}, leave={"A": 6.0, "B": 8.0, "D": 50.0}
    )
    made = joint_schedule(read_plan(path))
    by_pull = dict(iter(made.joints.groupby("pull_id")))
    # A is 36 m: three whole pieces, the head 3 m beyond 40 m; B 38 m: 12, 12, 12 and 2 m
    assert by_pull["A"]["chainage"].tolist() == pytest.approx([31.0, 19.0])
    assert by_pull["A"]["piece_before"].tolist() == pytest.approx([12.0, 12.0])
    assert by_pull["B"]["chainage"].tolist() == pytest.approx([68.0, 80.0, 92.0])
    assert by_pull["B"]["piece_after"].tolist() == pytest.approx([12.0, 12.0, 2.0])
    assert by_pull["C"]["chainage"].tolist() == pytest.approx([118.0, 106.0])
    assert made.tails.to_dict() == {"A": 6.0, "B": 8.0, "C": 0.0}
    assert made.notes == (
        "0.0 m to 8.0 m a pull, half at each end, as the plan orders (leave in its sections)",
        "none ordered for C (1 pull(s) so)",
    )
    given = joint_schedule(read_plan(path), tail=3.0)  # an override, for all of them
    assert given.tails.tolist() == [6.0, 6.0, 6.0]
    assert given.notes == ("3.0 m at each end of every pull, as given",)
    assert joint_schedule(read_plan(path), tail=0.0).tails.tolist() == [0.0] * 3


def test_the_head_bears_the_tail_the_plan_orders_there(write_plan: PlanWriter) -> None:
    """Of 6 m 5 at the head; without a word on the head 3: a plan of before."""
    pull = {"pull_id": "A", "start": 10.0, "end": 40.0, "length": 30.0, "direction": "ahead"}
    path = write_plan([pull], settings={"pulls.piece_length": "12 m"}, leave={"A": 6.0})
    assert joints_of(path)["chainage"].tolist() == pytest.approx([31.0, 19.0])
    with closing(sqlite3.connect(path)) as base:
        base.execute("UPDATE sections SET leave_head_m = 5.0")
        base.commit()
    made = joint_schedule(read_plan(path))
    assert made.joints["chainage"].tolist() == pytest.approx([33.0, 21.0])
    assert made.notes[0].startswith("6.0 m a pull, 5.0 m of it at the head, as the plan orders")


def test_tails_are_told_in_the_units_asked_for(write_plan: PlanWriter) -> None:
    pull = {"pull_id": "A", "start": 10.0, "end": 40.0, "length": 30.0}
    plan = read_plan(write_plan([pull], leave={"A": 6.0}))
    assert joint_schedule(plan, units="us").notes[0].startswith("19.7 ft a pull")
    assert joint_schedule(plan).notes[0].startswith("6.0 m a pull")
    assert joint_schedule(plan, tail=3.0, units="us").notes == (
        "9.8 ft at each end of every pull, as given",
    )
    assert joint_schedule(plan, tail=3.0).notes == ("3.0 m at each end of every pull, as given",)


def test_a_plan_that_orders_no_tails_says_so(write_plan: PlanWriter) -> None:
    (note,) = joint_schedule(read_plan(write_plan())).notes
    assert note == "none: the plan has no layer sections; give what is left at each end with --tail"


def test_the_last_string_bears_the_tails_and_those_before_stay_whole(
    write_plan: PlanWriter,
) -> None:
    strings = [
        {"string_id": f"S{k}", "pull_id": "R1-L1", "number": k, "length": length}
        for k, length in ((1, 96.0), (2, 96.0), (3, 8.0))
    ]
    path = write_plan(
        [LONG], strings=strings, settings={"pulls.piece_length": "12 m"}, leave={"R1-L1": 6.0}
    )
    joints = joints_of(path)
    assert joints["piece_after"].tolist() == pytest.approx([12.0] * 17)
    # the head 3 m beyond 210 m; the last string 14 m: two pieces
    assert joints["chainage"].tolist() == pytest.approx([213.0 - 12 * k for k in range(1, 18)])
    assert joints.loc[joints["intermediate"], "number"].tolist() == [8, 16]
    assert joints["piece_before"].iloc[-1] == pytest.approx(2.0)


def test_a_piece_too_short_to_clamp_shares_with_the_one_before(write_plan: PlanWriter) -> None:
    pull = {"start": 10.0, "end": 46.045, "length": 36.045}
    plain = {"pulls.piece_length": "12 m"}
    joints = joints_of(write_plan([pull], settings=plain))
    assert len(joints) == 3  # as many as with a piece of 45 mm
    assert joints["piece_after"].tolist() == pytest.approx([12.0, 12.0, 6.0225])
    assert joints["piece_before"].tolist() == pytest.approx([12.0, 6.0225, 6.0225])
    assert joints["chainage"].iloc[-1] == pytest.approx(10 + 6.0225)
    any_piece = joints_of(write_plan([pull], settings=plain | {"pulls.least_piece": "0 m"}))
    assert any_piece["piece_before"].iloc[-1] == pytest.approx(0.045)
    half = joints_of(write_plan([pull], settings=plain | {"pulls.least_piece": "9 m"}))
    assert half["piece_before"].iloc[-1] == pytest.approx(6.0225)  # half a pipe at most
    old = write_plan([pull], settings=plain)
    with closing(sqlite3.connect(old)) as file, file:
        file.execute("DELETE FROM settings WHERE name = 'pulls.least_piece'")
    assert joints_of(old)["piece_before"].iloc[-1] == pytest.approx(6.0225)  # as by default


def test_strings_too_short_for_their_pull_are_refused(write_plan: PlanWriter) -> None:
    path = write_plan([LONG], strings=STRINGS[:2])
    with pytest.raises(LayerError, match=r"R1-L1 make 190\.00 m of its 200\.00 m"):
        joints_of(path)
    american = replace(read_plan(path), units="us")
    with pytest.raises(LayerError, match=r"R1-L1 make 623\.36 ft of its 656\.17 ft"):
        joint_schedule(american)


def test_only_what_is_wanted(write_plan: PlanWriter) -> None:
    path = write_plan([{"pull_id": "A"}, {"pull_id": "B"}])
    assert set(joints_of(path, only=["B"])["pull_id"]) == {"B"}
    assert set(joints_of(path, only=["R1"])["pull_id"]) == {"A", "B"}
    with pytest.raises(LayerError, match="no run or pull C, D"):
        joints_of(path, only=["D", "A", "C"])


@pytest.mark.parametrize(
    ("pull", "why"),
    [
        ({"run_id": "R9"}, "layer runs lacks R9"),
        ({"length": 0.0}, "R1-L1 has no length"),
        ({"length": float("nan")}, "R1-L1 has no length"),
    ],
)
def test_plan_that_does_not_hold_together_is_refused(
    write_plan: PlanWriter, pull: dict[str, Any], why: str
) -> None:
    with pytest.raises(LayerError, match=why):
        joints_of(write_plan([pull]))
    with pytest.raises(LayerError, match="R1-L1 more than once"):
        joints_of(write_plan([{}, {}]))
    with pytest.raises(LayerError, match="no pipe is called '7 in nonsense'"):
        joints_of(write_plan(carrier="7 in nonsense"))


def test_plan_without_pulls_has_no_joints(write_plan: PlanWriter) -> None:
    assert len(joints_of(write_plan([{"length": 5.0}]))) == 0  # a single piece
    none = joint_schedule(read_plan(write_plan([], name="none.gpkg")))
    assert len(none.joints) == 0
    assert none.gaps == ()


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.lists(st.floats(0.05, 900.0), min_size=1, max_size=4), min_size=1, max_size=5),
    st.floats(1.0, 30.0),
    st.floats(0.0, 3.0),
)
def test_pieces_make_up_their_strings(
    lengths: list[list[float]], piece: float, least: float
) -> None:
    pull = np.repeat(np.arange(len(lengths)), [len(strings) for strings in lengths])
    flat = np.concatenate(lengths)
    made = pieces_of(pull, flat, piece=piece, least=least)
    count = np.bincount(made.string)
    alone = count[made.string] == 1
    assert (alone | (made.length >= min(least, piece / 2) * (1 - 1e-9))).all()
    assert (count == np.bincount(pieces_of(pull, flat, piece=piece).string)).all()
    sums = np.bincount(made.string, weights=made.length, minlength=len(flat))
    np.testing.assert_allclose(sums, flat, rtol=1e-9)
    assert (made.length > 0).all()
    assert (made.length <= piece * (1 + 1e-5)).all()
    short = made.length < piece * (1 - 1e-5)
    before_last = np.append(made.last_of_string[1:], False)
    assert (made.last_of_string | before_last | ~short).all()
    inside = np.bincount(made.string, minlength=len(flat)) - 1
    assert np.abs(inside - joint_count(flat, piece)).max() <= 1  # at exact multiples
    assert made.last_of_pull.sum() == len(lengths)
    ends = made.end[made.last_of_pull]
    np.testing.assert_allclose(ends, [sum(strings) for strings in lengths], rtol=1e-9)


PROCEDURE = """
name = "Procedure 12 of the contractor"
[[size]]
outside = "21.6 in"
dr = 18
heater_low = "400 degF"
heater_high = "420 degF"
interfacial_low = "100 psi"
interfacial_high = "120 psi"
soak = "3 min"
removal = "9 s"
cool = "20 min"
"""
PVC = "20 in DIPS DR 18 PVC"


def procedure_file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "procedure.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_pvc_has_no_window_without_the_users_procedure(write_plan: PlanWriter) -> None:
    made = joint_schedule(read_plan(write_plan(carrier=PVC)))
    assert len(made.joints) == 24
    limits = ["heater_low", "heater_high", "interfacial", "bead", "soak", "removal", "cool"]
    assert made.joints[limits].isna().all().all()
    assert (made.joints["procedure"] == "").all()
    (gap,) = made.gaps
    assert PVC in gap
    assert "--procedure-file" in gap


def test_pvc_takes_its_window_from_the_users_procedure(
    write_plan: PlanWriter, tmp_path: Path
) -> None:
    own = read_procedure(procedure_file(tmp_path, PROCEDURE))
    made = joint_schedule(read_plan(write_plan(carrier=PVC)), own=own)
    row = made.joints.iloc[0]
    assert made.gaps == ()
    assert row["procedure"] == "Procedure 12 of the contractor"
    assert row["heater_high"] == pytest.approx((420 - 32) / 1.8)
    assert row["interfacial_low"] == pytest.approx(100 * PSI)
    assert (row["soak"], row["removal"], row["cool"]) == (180.0, 9.0, 1200.0)
    assert np.isnan(row["bead"])  # not in the procedure
    # polyethylene is not what it is written for
    assert joint_schedule(read_plan(write_plan()), own=own).joints["procedure"].iloc[0] == (
        "ASTM F2620"
    )


def test_procedure_for_another_size_is_no_procedure(write_plan: PlanWriter, tmp_path: Path) -> None:
    other = read_procedure(procedure_file(tmp_path, PROCEDURE.replace("dr = 18", "dr = 25")))
    made = joint_schedule(read_plan(write_plan(carrier=PVC)), own=other)
    assert made.joints["cool"].isna().all()
    assert "has no [[size]] for it" in made.gaps[0]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("name = ", "not valid TOML"),
        ("", "name: must be given"),
        ('name = "x"', "size: must be given"),
        (PROCEDURE.replace("cool =", "coool ="), "size 1 coool: no such key; did you mean cool"),
        (PROCEDURE.replace('"20 min"', "20"), "size 1 cool: 20 has no unit"),
        (PROCEDURE.replace('"20 min"', '"20 psi"'), "size 1 cool: '20 psi' is not a time"),
        (PROCEDURE.replace('soak = "3 min"\n', ""), "size 1 soak: must be given"),
        (PROCEDURE.replace("120 psi", "90 psi"), "not in order"),
        (PROCEDURE.replace("420 degF", "300 degF"), "heater_low is not below heater_high"),
        ('materials = ["GOLD"]\n' + PROCEDURE, "materials 1"),
    ],
)
def test_faults_of_a_procedure_are_named(tmp_path: Path, text: str, why: str) -> None:
    with pytest.raises(LayerError) as caught:
        read_procedure(procedure_file(tmp_path, text))
    assert why in str(caught.value)


def test_pipe_beyond_the_tables_has_no_window(write_plan: PlanWriter) -> None:
    thin = {"carrier.own": ["thin; PE100; 63 mm; 3.8 mm"]}
    made = joint_schedule(read_plan(write_plan(carrier="thin", settings=thin)), procedure="iso_slp")
    assert "no limits are known for this size" in made.gaps[0]
    assert made.joints["heater_low"].isna().all()


def test_what_few_joints_have_stands_before_what_all_have() -> None:
    bare = "no bead on record"
    cold = "heater 1 149 °C, due 204 °C to 232 °C"
    late = "made 2026-03-15T16:15, not cooled when joined on at {}"
    texts = [bare] * 5 + [
        f"{cold}; {bare}",
        late.format("15:30"),
        late.format("16:10"),
        "no record",
    ]
    order = rarest_first(texts).tolist()
    assert order[:2] == [5, 8]  # one of each
    assert order[2:4] == [6, 7]  # two that differ in their hours alone
    assert order[4:] == [0, 1, 2, 3, 4]
    assert rarest_first([]).tolist() == []
