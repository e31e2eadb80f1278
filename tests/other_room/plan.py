"""What stands in the room: species and their fittings, devices, sensors, faults. Drawn by seed; all invented data.

In: a random generator, the program's species files (for the wanted ranges alone), how warm the room is, how long it is
recorded.
Out: dictionaries of constants, one an enclosure (its sensors within), and one a fault. A fault's start and end are
minutes of the recording; temperatures in °C, humidity in %RH, differences of temperature in K.
"""

import tomllib
from pathlib import Path

import numpy as np

from physics import AIR_HEAT_J_M3_K, DAY

SPECIES = Path(__file__).resolve().parents[2] / "config" / "species"

# How each kind is usually kept (common practice, no source): air changes an hour, mistings a day (both from, to),
# chance of a fogger, basking lamp or not, heated for warmth or not.
KEPT = {
    name: dict(air=air, mist=mist, fog=fog, bask=bask, warm=warm)
    for name, air, mist, fog, bask, warm in (
        ("mossy-frog", (0.8, 1.8), (1, 2), 0.5, 0, 0),
        ("dyeing-poison-frog", (0.8, 2.0), (2, 4), 0.2, 0, 0),
        ("fire-bellied-toad", (1.5, 3.0), (1, 2), 0.0, 0, 0),
        ("fire-salamander", (1.0, 2.5), (1, 2), 0.3, 0, 0),
        ("horned-frog", (1.0, 2.5), (1, 1), 0.0, 0, 1),
        ("crested-gecko", (2.0, 5.0), (1, 2), 0.1, 0, 0),
        ("mourning-gecko", (1.5, 4.0), (1, 2), 0.1, 0, 0),
        ("giant-day-gecko", (2.0, 5.0), (1, 2), 0.0, 1, 0),
        ("panther-chameleon", (3.0, 7.0), (2, 3), 0.3, 1, 0),
        ("veiled-chameleon", (4.0, 8.0), (1, 2), 0.3, 1, 0),
        ("green-tree-python", (1.5, 4.0), (1, 2), 0.2, 0, 1),
        ("ball-python", (1.5, 4.0), (0, 0), 0.1, 0, 1),
        ("corn-snake", (2.0, 5.0), (0, 0), 0.0, 0, 1),
        ("leopard-gecko", (2.5, 6.0), (0, 0), 0.0, 1, 1),
        ("bearded-dragon", (3.0, 7.0), (0, 0), 0.0, 1, 0),
        ("giant-land-snail", (0.8, 2.0), (1, 1), 0.0, 0, 1),
        ("orchid-mantis", (2.5, 6.0), (1, 1), 0.0, 0, 0),
        ("ghost-mantis", (2.5, 6.0), (1, 1), 0.0, 0, 0),
        ("pink-toed-tarantula", (3.0, 6.0), (1, 1), 0.0, 0, 0),
        ("red-kneed-tarantula", (2.0, 5.0), (0, 0), 0.0, 0, 0),
    )
}
VAGUE_FIRST_WORDS = ("giant", "green", "fire", "red", "pink")  # of no use as a short name

REFERENCE_M3 = 0.16  # own choice: the volume that rates below are stated for
# Own choice: classes of sensors, as ± %RH and ± K (two standard deviations), and how common they are.
CLASSES, CLASS_SHARES = [(2.0, 0.2), (3.0, 0.3), (5.0, 0.5)], [0.3, 0.4, 0.3]

# Own choice: kind, size and weight of the faults of sensors. Sizes: drift in %RH in 30 days, step in %RH, span loss as
# the share that is left, spikes in a half day, clock in seconds (-1970: begins at 1970 again), temperature bias in K.
SENSOR_FAULTS = (
    [("drift", sign * size, 1.6) for size in (2, 4, 8) for sign in (1, -1)]
    + [("step", sign * size, 1.6) for size in (3, 5, 8) for sign in (1, -1)]
    + [("span-loss", 0.7, 0.8), ("span-loss", 0.5, 0.8)]
    + [("pinned", 0, 1.2), ("stuck", 0, 1.2), ("silent", 0, 1.2), ("battery", 0, 1.2), ("spikes", 6, 1.2)]
    + [("clock", 1200, 0.8), ("clock", 3600, 0.8), ("clock", 86400, 0.8), ("clock", -1970, 0.8)]
    + [("temperature-bias", 1, 1.2), ("temperature-bias", 2, 1.2), ("temperature-bias", -3, 1.2), ("dislodged", 0, 1.5)]
)
SLOW_FAULTS = ("drift", "step", "span-loss", "temperature-bias")
PASSING_FAULTS = ("clock", "silent", "spikes", "stuck", "pinned")

# Own choice, for the two tables: (from, to) is a range, a list is a choice, a number is fixed.
CONDITION_DAYS = {
    "heater-stuck": (0.2, 4),
    "thermostat-wrong": (3, 15),
    "heater-failed": (5, 30),
    "lamp-strong": (5, 25),
    "lamp-left-on": (2, 10),
    "light-hours": (5, 30),
    "door-ajar": (2, 6),
    "vent-blocked": (12, 40),
    "sun": (10, 30),
    "cold-nights": (2, 8),
    "warm-nights": (3, 10),
    "mist-clog": 100,
    "mist-fell-60": (14, 60),
    "mist-fell-40": (14, 60),
    "mist-missed": (10, 25),
    "mist-dead": (2, 5),
    "humidistat-wrong": (8, 30),
}
CONDITION_SIZES = {
    "thermostat-wrong": [3, 5, 7],  # K
    "lamp-strong": (1.6, 2.4),  # times
    "light-hours": [-3, -2, 2, 3],  # h
    "vent-blocked": (0.2, 0.4),  # of the usual air
    "door-ajar": (3, 6),  # times the usual air
    "sun": (60, 180),  # W
    "cold-nights": (4, 8),  # K
    "warm-nights": (2.5, 5),  # K
    "mist-clog": (0.3, 0.6),  # of the usual water, at the end
    "mist-fell-60": 0.6,
    "mist-fell-40": 0.4,
    "mist-missed": (0.2, 0.4),  # of the runs
    "humidistat-wrong": [7, 10, 13],  # %RH
}


def short_name(name):
    """One word of a species' name."""
    words = name.split("-")
    return words[-1 if words[0] in VAGUE_FIRST_WORDS else 0]


def species(name):
    """What the program's species file asks for."""
    with open(SPECIES / f"{name}.toml", "rb") as file:
        stage = tomllib.load(file)["stage"][0]
    ranges = dict(day="day_c", night="night_c", rh_day="humidity_day_pct", rh_night="humidity_night_pct")
    values = dict(max="max_c", min="min_c", emergency="emergency_c")
    return {k: list(stage[v]["range"]) for k, v in ranges.items()} | {k: stage[v]["value"] for k, v in values.items()}


def suits(name, room_day_c, room_night_c):
    """Whether a keeper would keep this species in so warm a room."""
    want = species(name)
    cool_enough = room_day_c + 1.2 < want["day"][1] and room_night_c < want["night"][1] + 0.3
    return cool_enough and (sum(want["day"]) / 2 - room_day_c < 10)


def enclosure(rng, name, number, room_day_c, room_night_c):
    """Constants of one enclosure before its moisture is tuned."""
    kept = KEPT[name]
    box = dict(id=f"{short_name(name)}-{number}", species=name, want=species(name), kept=kept)
    volume_m3 = rng.uniform(0.25, 0.5) if kept["bask"] else rng.uniform(0.07, 0.3)
    lights_on = int(rng.integers(14, 18)) * 30
    box["day"] = [lights_on, lights_on + int(rng.choice([660, 720, 720, 780]))]  # minutes of the day
    box.update(body(rng, box, volume_m3, room_day_c, room_night_c))
    box.update(misting(rng, kept, box["day"], volume_m3))
    box["fog_g_h"] = 1.0 if rng.random() < kept["fog"] else 0.0
    box["window"] = rng.random() < 0.2
    box["sensors"] = sensors(rng, box)
    probe = box["sensors"][0]
    box.update(probe_where=probe["where"], probe_local=probe["local"], probe_lag_min=probe["lag_t_min"])
    judging = [s for s in box["sensors"] if s["zone"]] or [s for s in box["sensors"] if s["role"] != "controller"]
    box["zone"] = [s["id"] for s in judging or box["sensors"]]
    return box


def body(rng, box, volume_m3, room_day_c, room_night_c):
    """Walls, air, soil, lamp and heater (own choice, in the usual orders of magnitude)."""
    kept, want = box["kept"], box["want"]
    area_m2 = 6 * volume_m3 ** (2 / 3)
    air_changes_h = rng.uniform(*kept["air"]) * (0.8 if volume_m3 > 0.2 else 1)
    loss_w_k = rng.uniform(3.3, 4.2) * area_m2
    day_c, night_c = sum(want["day"]) / 2 - 0.3, sum(want["night"]) / 2
    total_w_k = loss_w_k + air_changes_h / 3600 * volume_m3 * AIR_HEAT_J_M3_K
    lamp_w = max(rng.uniform(5, 9), total_w_k * (day_c - room_day_c) * 1.1)
    set_c = round(2 * min(night_c - 0.3, day_c - 1.5)) / 2
    needed = set_c > room_night_c - 1.0 or kept["warm"]
    heater_w = 0.0
    if needed or rng.random() < 0.3:
        heater_w = max(10.0, total_w_k * (set_c - room_night_c + 4.5) * rng.uniform(1.1, 1.8))
    if heater_w and not needed:
        set_c = round(2 * (want["night"][0] + 0.8)) / 2
    return dict(
        volume_m3=volume_m3,
        loss_w_k=loss_w_k,
        vent_per_s=air_changes_h / 3600,
        mix_w_k=rng.uniform(1.6, 2.6) if kept["bask"] else rng.uniform(2.0, 4.0),
        soil_w_k=rng.uniform(2, 4),
        air_j_k=rng.uniform(12, 22) * 1000 * volume_m3 + 1500,
        soil_j_k=rng.uniform(60, 130) * 1000 * volume_m3,
        floor_w_k=0.25 * loss_w_k * 0.4,
        leaf_share=(rng.uniform(1.2, 3.5), rng.uniform(0.2, 0.6)),  # of ventilation, of the soil's evaporation
        glass_m3_s=1.2e-3 * area_m2 / 1.8,
        film_g=rng.uniform(15, 40) * volume_m3,
        soil_full_g=rng.uniform(6, 12) * 1000 * volume_m3,
        heater_w=heater_w,
        heat_hyst_k=float(rng.choice([0.5, 1.0, 1.0])),
        mat_share=float(rng.choice([0.6, 0.8])) if kept["warm"] and rng.random() < 0.6 else 0.1,
        heater_lag_min=rng.uniform(4, 12),
        set_c=set_c,
        lamp_w=lamp_w,
        fog_hyst_pct=float(rng.choice([3.0, 4.0, 5.0])),
        set_pct=None,
    )


def misting(rng, kept, day, volume_m3):
    """A mister with its runs (minute of the day, seconds), or the keeper's hand at about those times."""
    count = int(rng.integers(kept["mist"][0], kept["mist"][1] + 1))
    by_hand = count > 0 and rng.random() < 0.25
    on, off = day
    about = {
        0: [],
        1: [off - 45],
        2: [on + 30, off - 40],
        3: [on + 20, (on + off) // 2 + 30, off - 30],
        4: [on + 15, on + 220, on + 430, off - 25],
    }[count]
    runs = [(minute + 5 * int(rng.integers(-3, 4)), int(rng.choice([25, 30, 40, 45, 60]))) for minute in about]
    mist_g_s = rng.uniform(0.6, 1.1) * volume_m3 / REFERENCE_M3
    return dict(by_hand=by_hand, mister=count > 0 and not by_hand, runs=runs, mist_g_s=mist_g_s)


def sensor(rng, box, tag, role, place, where, local):
    """One sensor as bought.

    `where`: from warm end (0) to cool end (1); `local`: how much more excess vapour its place has, as a share.
    """
    return dict(
        id=f"{box['id']}-{tag}",
        role=role,
        place=place,
        where=where,
        local=local,
        class_pct_k=CLASSES[int(rng.choice([0, 1, 2], p=CLASS_SHARES))],
        state_accuracy=rng.random() < 0.8,
        every_min=float(rng.choice([1, 2, 3, 5, 5], p=[0.1, 0.25, 0.25, 0.2, 0.2])),
        battery=rng.random() < 0.5 and role != "controller",
        resolution_pct=float(rng.choice([0.1, 0.1, 0.1, 1.0], p=[0.4, 0.3, 0.2, 0.1])),
        zone=None,
    )


def offset(rng, most):
    """An error within the class, of which `most` is two standard deviations and the end."""
    return float(np.clip(rng.normal(0, most / 2), -most, most))


def sensors(rng, box):
    """One to three sensors, with errors, lags and warming by the lamp (own choice)."""
    layout = str(rng.choice(["single", "pair", "trio"], p=[0.22, 0.48, 0.30]))
    role = "controller" if box["heater_w"] or box["fog_g_h"] else "probe"
    stat = sensor(rng, box, "stat", role, "upper back", rng.uniform(0.15, 0.5), rng.uniform(-0.08, 0.05))
    check = sensor(rng, box, "check", "reference", "middle, in shade", rng.uniform(0.45, 0.7), rng.uniform(-0.05, 0.08))
    low = sensor(rng, box, "low", "probe", "cool end, under leaves", rng.uniform(0.85, 1.0), rng.uniform(0.0, 0.15))
    second = check if rng.random() < 0.5 else low
    chosen = {"single": [stat], "pair": [stat, second], "trio": [stat, check, low]}[layout]
    if layout != "single" and rng.random() < 0.6:
        for s in chosen:
            s["zone"] = s is not stat or rng.random() < 0.4
    for s in chosen:
        most_pct, most_k = s["class_pct_k"]
        s.update(
            offset_pct=offset(rng, most_pct),
            gain=rng.normal(1, 0.012),
            offset_k=offset(rng, most_k),
            noise_pct=rng.uniform(0.08, 0.4),
            noise_k=rng.uniform(0.02, 0.08),
            lag_t_min=rng.uniform(1.5, 8),
            lag_h_min=rng.uniform(0.5, 4),
            lamp_k=rng.uniform(0, 0.4) * (1 - s["where"]),
            mist_touch=rng.uniform(0, 0.02),
        )
        if box["kept"]["bask"] and s["where"] < 0.3 and rng.random() < 0.3:
            s["lamp_k"] = rng.uniform(0.8, 2.0)
    return chosen


def possible_conditions(box):
    """The faults of the conditions that this enclosure can have, with weights (own choice)."""
    can = {}
    if box["heater_w"]:
        can |= {"heater-stuck": 2.0, "thermostat-wrong": 1.0, "heater-failed": 2.0}
    can |= {"lamp-strong": 1.0, "lamp-left-on": 1.0, "light-hours": 1.0, "door-ajar": 0.8}
    if box["kept"]["air"][0] < 3:
        can |= {"vent-blocked": 1.2}
    if box["window"]:
        can |= {"sun": 1.5}
    if not box["heater_w"]:
        can |= {"cold-nights": 1.0}
    can |= {"warm-nights": 0.8}
    if box["mister"]:
        can |= {"mist-clog": 1.6, "mist-fell-60": 1.2, "mist-fell-40": 1.2, "mist-missed": 1.6, "mist-dead": 0.8}
    if box["fog_g_h"]:
        can |= {"humidistat-wrong": 2.5}
    return can


def drawn(rng, what):
    """A number from a range, a choice, or a fixed one."""
    if isinstance(what, tuple):
        return rng.uniform(*what)
    return float(rng.choice(what)) if isinstance(what, list) else what


def condition_fault(rng, box, days):
    """A fault of the conditions."""
    can = possible_conditions(box)
    weights = np.array(list(can.values()))
    kind = list(can)[int(rng.choice(len(can), p=weights / weights.sum()))]
    start = int(rng.uniform(12, days - 14)) * DAY + int(rng.uniform(0, DAY))
    # All are drawn, so that the kind does not shift what is drawn later.
    lasts_days = {k: drawn(rng, what) for k, what in CONDITION_DAYS.items()}[kind]
    size = {k: drawn(rng, what) for k, what in CONDITION_SIZES.items()}.get(kind, 0)
    if kind == "mist-clog":
        start = int(rng.uniform(8, 20)) * DAY
    return dict(kind=kind, size=float(size), start=start, end=int(start + lasts_days * DAY))


def sensor_fault(rng, box, days):
    """A fault of one sensor of the enclosure; a slow one begins early enough to be seen."""
    weights = [weight for _, _, weight in SENSOR_FAULTS]
    kind, size, _ = SENSOR_FAULTS[int(rng.choice(len(SENSOR_FAULTS), p=np.array(weights) / sum(weights)))]
    chosen = box["sensors"][int(rng.integers(len(box["sensors"])))]
    if kind == "battery":
        with_battery = [s for s in box["sensors"] if s["battery"]]
        if with_battery:
            chosen = with_battery[0]
        else:
            kind = "silent"
    start = int(rng.uniform(9, days - 32 if kind in SLOW_FAULTS else days - 12) * DAY)
    end = None
    if kind in PASSING_FAULTS and rng.random() < 0.4:
        end = start + int(rng.uniform(3, 14) * DAY)
    if kind == "temperature-bias" and rng.random() < 0.5:
        size = -size
    return dict(sensor=chosen["id"], kind=kind, size=float(size), start=start, end=end)
