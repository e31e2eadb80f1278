"""Writes one invented site, independent of mosswarden's own simulation. Everything in it is invented data.

In: a seed and a number of weeks (at least 6, so that every kind of fault finds room).
Out: site.toml, readings.csv, journal.csv, and truth.json with what truly was; site-until-N.toml is the site file before
a change of schedule.
Inside, minutes count from two days before the recording begins (the warm-up, which is not written).
"""

import argparse
import csv
import json
import math
import os
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

import physics
import plan
from physics import DAY, saturated, smooth, wander
from plan import REFERENCE_M3

WARM_UP = 2 * DAY
# Own choice, as are the chances and spans that are drawn below: time zones, and whether they lie in the south.
ZONES = [
    ("Europe/Lisbon", False),
    ("Europe/Berlin", False),
    ("America/New_York", False),
    ("Australia/Sydney", True),
    ("Asia/Tokyo", False),
    ("Africa/Johannesburg", True),
]
EPOCH = datetime(1970, 1, 1)
# Own choice: moisture.
TUNE_FROM, TUNE_MINUTES = 10 * DAY, 6 * DAY
TUNED_WITHIN_PCT = 3
TUNED_MOST_PCT = 88.0
PLANTS_OF_SOIL = 0.06
# Own choice: what the keeper does to the air.
OPEN_PER_S, SPRAYING_PER_S = 10 / 3600, 6 / 3600
# Own choice: a sensor's gain error and loss of span turn about these.
GAIN_ABOUT_PCT, SPAN_ABOUT_PCT = 60, 55
MORNING_SUN_W = 8.0


class Clock:
    """The minutes of the simulation with local time of day and dates. The recording begins on a local Monday, 00:00."""

    def __init__(self, zone, start, days):
        self.zone = ZoneInfo(zone)
        first = start.replace(tzinfo=self.zone).astimezone(timezone.utc) - timedelta(minutes=WARM_UP)
        end = (start + timedelta(days=days)).replace(tzinfo=self.zone)
        self.epoch = int(first.timestamp())
        self.minutes = (int(end.timestamp()) - self.epoch) // 60
        hours = [(first + timedelta(minutes=m)).astimezone(self.zone) for m in range(0, self.minutes, 60)]
        offsets_s = np.repeat([int(t.utcoffset().total_seconds()) for t in hours], 60)[: self.minutes]
        self.local = self.epoch + np.arange(self.minutes) * 60 + offsets_s  # s since 1970, local
        self.minute_of_day = (self.local // 60) % DAY
        self.hour = self.minute_of_day / 60.0
        self.day = self.local // 86400  # days since 1970, local
        dates, which = np.unique(self.day, return_inverse=True)
        self.day_of_year = np.array([(EPOCH + timedelta(days=int(d))).timetuple().tm_yday for d in dates])[which]
        self.recorded = np.arange(self.minutes) >= WARM_UP

    def date(self, day):
        return (EPOCH + timedelta(days=int(day))).strftime("%Y-%m-%d")

    def at(self, minute):
        return stamp(self.epoch + minute * 60)


@dataclass
class Site:
    """What the enclosures of a site share. Spans are pairs of minutes; `hot_room` has the warming in K besides."""

    seed: int
    rng: np.random.Generator
    zone: str
    days: int
    clock: Clock
    wandering: bool
    room_kind: str
    room_measured: bool
    power: np.ndarray
    power_cuts: list
    sky: np.ndarray
    room_t: np.ndarray  # °C
    room_v: np.ndarray  # g/m3
    boxes: list = field(default_factory=list)
    real_room_t: np.ndarray | None = None  # with the days when the room is too hot
    hot_room: tuple | None = None
    dry_tank: tuple | None = None
    outage: np.ndarray | None = None
    rows: list = field(default_factory=list)
    journal: list = field(default_factory=list)


@dataclass
class Curves:
    """What lies between the truth and one sensor's readings, by the minute."""

    error_pct: np.ndarray
    error_k: np.ndarray
    gain: np.ndarray
    where: np.ndarray
    local: np.ndarray
    out_share: np.ndarray  # how far it hangs in the room
    hold: np.ndarray  # it repeats its humidity


def stamp(seconds):
    return datetime.fromtimestamp(float(seconds), timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def spans(mask):
    """First minutes and the minutes after the last of where `mask` holds."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(int), [0]))))
    return list(zip(edges[::2], edges[1::2]))


def lit(clock, box, longer_min=0):
    """Where the lamp is asked for."""
    return (clock.minute_of_day >= box["day"][0]) & (clock.minute_of_day < box["day"][1] + longer_min)


def mist_runs(clock, schedule, start, end):
    """The scheduled mistings as (minute, seconds); an hour that occurs twice counts once."""
    runs = []
    for minute, seconds in schedule:
        last_day = None
        for i in np.flatnonzero(clock.minute_of_day[start:end] == minute % DAY) + start:
            if last_day != clock.day[i]:
                runs.append((int(i), seconds))
            last_day = clock.day[i]
    return sorted(runs)


def drive_of(box, clock, room_t, room_v):
    """What drives a healthy enclosure that nobody touches (see physics.run)."""
    minutes = len(room_t)
    zero, one = np.zeros(minutes), np.ones(minutes)
    lamp_asked = lit(clock, box)[:minutes]
    probe = box["sensors"][0]
    return dict(
        room_t=room_t.copy(),
        room_v=room_v,
        lamp_w=box["lamp_w"] * lamp_asked,
        sun_w=zero.copy(),
        vent_per_s=one * box["vent_per_s"],
        mist_g=zero.copy(),
        water_g=zero.copy(),
        plants_m3_s=(0.25 + 0.75 * lamp_asked) * PLANTS_OF_SOIL * box["soil_m3_s"],
        power=one,
        heat_set_c=one * box["set_c"],
        heat_ok=one.copy(),
        heat_force=zero.copy(),
        fog_set_pct=one * (box["set_pct"] or 0),
        error_k=one * probe["offset_k"],
        error_pct=one * error_pct(probe),
        gain=one * probe["gain"],
        probe_out=zero,
        probe_hold=zero,
    )


def error_pct(sensor):
    return sensor["offset_pct"] + GAIN_ABOUT_PCT * (1 - sensor["gain"])


def air_at(trace, where, local, room_v):
    """Temperature and vapour at a place of the enclosure."""
    celsius = trace["warm"] + where * (trace["cool"] - trace["warm"])
    return celsius, trace["vapour"] + local * (trace["vapour"] - room_v)


def humidity(celsius, vapour):
    return np.minimum(100.0, 100 * vapour / saturated(celsius))


def climate_at(trace, sensor, local, room_v):
    """Temperature and humidity where a sensor was put."""
    celsius, vapour = air_at(trace, sensor["where"], local, room_v)
    return celsius, humidity(celsius, vapour)


def zone_sensors(box):
    return [s for s in box["sensors"] if s["id"] in box["zone"]]


def tune(site, box):
    """Chooses how freely the soil gives off water, and the fogger, so that the middle of the humidity is met."""
    cut = slice(TUNE_FROM, TUNE_FROM + TUNE_MINUTES)
    room_t, room_v = site.room_t[cut], site.room_v[cut]
    want = box["want"]
    aim_pct = min((sum(want["rh_day"]) + sum(want["rh_night"])) / 4, TUNED_MOST_PCT)
    fogger, box["fog_g_h"] = box["fog_g_h"], 0.0
    if fogger:
        aim_pct -= 5
    box["hold_soil"] = True
    for _ in range(4):
        trace, mean_pct = tune_soil(site.clock, box, room_t, room_v, aim_pct)
        if mean_pct < aim_pct - TUNED_WITHIN_PCT:
            box["vent_per_s"] *= 0.6
        elif mean_pct > aim_pct + TUNED_WITHIN_PCT and box["runs"]:
            box["mist_g_s"] *= 0.6
        elif mean_pct > aim_pct + TUNED_WITHIN_PCT:
            box["vent_per_s"] *= 1.5
        else:
            break
    if fogger:
        probe = box["sensors"][0]
        shown = climate_at(trace, probe, box["probe_local"], room_v)[1][WARM_UP:] + probe["offset_pct"]
        box["set_pct"] = float(np.clip(round(np.percentile(shown, 50) + 4), 40, 94))
        carried_off = box["volume_m3"] * box["vent_per_s"] + box["soil_m3_s"] + 0.3 * box["leaf_m3_s"]
        box["fog_g_h"] = float(site.rng.uniform(3, 5) * carried_off * 0.07 * 20 * 3600)
    box["hold_soil"] = False
    box["thirst_g_day"] = max(0.0, trace["soil_lost_g_day"])


def tune_soil(clock, box, room_t, room_v, aim_pct):
    """The soil's evaporation by halving its logarithm; the last trace and its mean humidity."""
    low, high = math.log(1e-7), math.log(4e-3 * box["volume_m3"] / REFERENCE_M3)
    for _ in range(7):
        middle = (low + high) / 2
        box["soil_m3_s"] = math.exp(middle)
        of_vent, of_soil = box["leaf_share"]
        box["leaf_m3_s"] = of_vent * box["volume_m3"] * box["vent_per_s"] + of_soil * box["soil_m3_s"]
        drive = drive_of(box, clock, room_t, room_v)
        for i, seconds in mist_runs(clock, box["runs"], 0, TUNE_MINUTES):
            drive["mist_g"][i] += box["mist_g_s"] * seconds
        trace = physics.run(box, drive)
        mean_pct = np.mean([climate_at(trace, s, s["local"], room_v)[1][WARM_UP:].mean() for s in zone_sensors(box)])
        if mean_pct > aim_pct:
            high = middle
        else:
            low = middle
    return trace, mean_pct


def keeper(rng, box, days):
    """What the keeper does: healthy doings that disturb the curves, as (what, minute, how much), and notes of them."""
    doings, notes = [], []

    def note(minute, kind, text, chance=0.85):
        if rng.random() < chance:
            notes.append((minute, kind, "", text))

    def some_time():
        return int(rng.uniform(9.5, 20) * 60)

    for day in range(2, days):
        morning = WARM_UP + day * DAY
        if day % 7 == 6:
            minute = morning + some_time()
            doings.append(("water", minute, 0.4 * 7 * box["thirst_g_day"]))
            if rng.random() < 0.4:
                note(minute, "refilled", "water topped up")
        if rng.random() < 1 / 12:
            minute = morning + some_time()
            doings.append(("open", minute, int(rng.uniform(10, 40))))
            note(minute, "cleaned", "glass and bowl", 0.9)
        elif rng.random() < 1 / 4:  # feeding
            doings.append(("open", morning + some_time(), int(rng.uniform(1, 4))))
    if rng.random() < 0.3:
        minute = WARM_UP + int(rng.uniform(10, days - 10)) * DAY + some_time()
        doings.append(("prune", minute, rng.uniform(0.4, 0.7)))
        note(minute, "pruned", "cut the plants back")
        doings.append(("open", minute, 30))
    box["growth"] = rng.uniform(0.0, 0.5)
    box["doings"], box["notes"] = doings, notes


def apply_keeper(drive, box):
    drive["plants_m3_s"] *= 1 + box["growth"] * np.linspace(0, 1, len(drive["plants_m3_s"]))
    drive["water_g"] += 0.6 * box["thirst_g_day"] / DAY
    for what, i, amount in box["doings"]:
        if what == "water":
            drive["water_g"][i : i + 20] += amount / 20
        elif what == "open":
            drive["vent_per_s"][i : i + amount] = np.maximum(drive["vent_per_s"][i : i + amount], OPEN_PER_S)
        elif what == "prune":
            drive["plants_m3_s"][i:] *= amount


def sensor_events(rng, box, days, faulty):
    """Battery changed, sensor moved, sensor replaced: none a fault, and none of the faulty sensor."""
    events = []
    for k, s in enumerate(box["sensors"]):
        minute = WARM_UP + int(rng.uniform(12, days - 8)) * DAY + int(rng.uniform(10, 20) * 60)
        chance = rng.random()
        if s["id"] == faulty:
            continue
        if s["battery"] and chance < 0.3:
            events.append((minute, "battery-changed", s))
        elif chance > 0.92 and k > 0:
            events.append((minute, "sensor-moved", s))
        elif chance > 0.86:
            events.append((minute, "sensor-replaced", s))
    return events


def half_down(value):
    return math.floor(2 * value) / 2


def half_up(value):
    return math.ceil(2 * value) / 2


def set_limits(site, box, trace):
    """The keeper's limits: the species' own where the well enclosure keeps them, else widened to what it does.

    Judged on readings as on truth; `trace` is the enclosure without its fault.
    """
    want, clock = box["want"], site.clock
    day, night = lit(clock, box) & clock.recorded, ~lit(clock, box) & clock.recorded
    temperatures, humidities = [], []
    for s in zone_sensors(box):
        celsius, percent = climate_at(trace, s, s["local"], site.room_v)
        temperatures += [celsius, celsius + s["offset_k"] + s["lamp_k"]]
        humidities += [percent, percent + s["offset_pct"]]
    warmest, coolest = np.max(temperatures, axis=0), np.min(temperatures, axis=0)
    nights = spans(night)
    coolest_night = min(coolest[a:b].mean() for a, b in nights)
    warmest_night = max(warmest[a:b].mean() for a, b in nights)
    limits = dict(
        day=[
            min(want["day"][0], half_down(np.percentile(coolest[day], 1) - 0.3)),
            max(want["day"][1], half_up(np.percentile(warmest[day], 99) + 0.3)),
        ],
        night=[
            min(want["night"][0], half_down(coolest_night - 0.5)),
            max(want["night"][1], half_up(warmest_night + 0.5)),
        ],
        max=max(want["max"], half_up(float(np.max(coolest[clock.recorded])) + 0.7)),
        min=min(want["min"], half_down(float(warmest[clock.recorded].min()) - 0.7)),
        rh_day=humidity_limits(humidities, day, want["rh_day"]),
        rh_night=humidity_limits(humidities, night, want["rh_night"]),
    )
    limits["max"] = max(limits["max"], limits["day"][1])
    box["limits"] = limits
    box["override"] = overrides(limits, want)


def humidity_limits(humidities, mask, want):
    low = min(np.percentile(h[mask], 0.5) for h in humidities) - 2
    high = max(np.percentile(h[mask], 99.5) for h in humidities) + 2
    limits = [min(want[0], math.floor(max(0, low))), max(want[1], min(100, math.ceil(high)))]
    if limits[1] >= 98:
        limits[1] = 100
    return limits


def overrides(limits, want):
    """What the site file must say, since it is not the species' own."""
    out = {}
    if limits["day"] != want["day"]:
        out["day_c"] = limits["day"]
    if limits["night"] != want["night"]:
        out["night_c"] = limits["night"]
    if limits["max"] != want["max"]:
        out["max_c"] = limits["max"]
    if limits["max"] + 1 > want["emergency"]:
        out["emergency_c"] = limits["max"] + 2
    if limits["min"] != want["min"]:
        out["min_c"] = limits["min"]
    if limits["rh_day"] != want["rh_day"] or limits["rh_night"] != want["rh_night"]:
        out["humidity_day_pct"] = [float(x) for x in limits["rh_day"]]
        out["humidity_night_pct"] = [float(x) for x in limits["rh_night"]]
    return out


def begin_site(seed, weeks):
    """Place, time, power, weather and room."""
    rng = np.random.default_rng(seed)
    zone, south = ZONES[int(rng.integers(len(ZONES)))]
    start = datetime(2025, 1, 6) + timedelta(days=7 * int(rng.integers(0, 52)))
    days = 7 * weeks
    clock = Clock(zone, start, days)
    wandering = rng.random() < 0.5
    kind = "cellar" if rng.random() < 0.15 else "hall"
    measured = rng.random() < 0.8
    power, power_cuts = np.ones(clock.minutes), []
    if rng.random() < 0.3:
        i = WARM_UP + int(rng.uniform(5, days - 3) * DAY)
        j = i + int(rng.uniform(60, 360))
        power[i:j] = 0
        power_cuts.append((i, j))
    air_c, vapour, sky = physics.weather(rng, clock.minutes, clock.hour, clock.day_of_year, south)
    heat_wave_k, dry = np.zeros(clock.minutes), np.zeros(clock.minutes)
    if rng.random() < 0.3:
        i = WARM_UP + int(rng.uniform(8, days - 8) * DAY)
        heat_wave_k[i : i + int(rng.uniform(2, 5) * DAY)] = rng.uniform(1.0, 2.5)
    if rng.random() < 0.3:
        i = WARM_UP + int(rng.uniform(8, days - 8) * DAY)
        dry[i : i + int(rng.uniform(3, 7) * DAY)] = 1.0
    heat_wave_k, dry = smooth(heat_wave_k, 300), smooth(dry, 400)
    air_c, vapour = air_c - 6 * dry, vapour * (1 - 0.4 * dry)
    room_rng = np.random.default_rng(int(rng.integers(1 << 40)))
    room_t, room_v = physics.room(room_rng, clock.hour, air_c, vapour, sky, kind, power, heat_wave_k)
    return Site(
        seed, rng, zone, days, clock, wandering, kind, measured, power, power_cuts, sky, room_t=room_t, room_v=room_v
    )


def furnish(site):
    """Chooses species that suit the room, and gives each its enclosure and its keeper."""
    rng, hour = site.rng, site.clock.hour[WARM_UP:]
    busy = (hour > 9) & (hour < 19)
    room_day_c, room_night_c = (float(site.room_t[WARM_UP:][mask].mean()) for mask in (busy, ~busy))
    names = [name for name in plan.KEPT if plan.suits(name, room_day_c, room_night_c)]
    if len(names) < 3:
        names += [name for name in plan.KEPT if name not in names][:6]
    count = int(rng.integers(4, 6))
    chosen = [names[int(i)] for i in rng.permutation(len(names))[:count]]
    while len(chosen) < count:
        chosen.append(names[int(rng.integers(len(names)))])
    short = [plan.short_name(name) for name in chosen]
    for k, name in enumerate(chosen):
        number = 1 + short[:k].count(short[k])
        site.boxes.append(plan.enclosure(rng, name, number, room_day_c, room_night_c))
    one_tank = rng.random() < 0.6
    for box in site.boxes:
        box["pump"] = "tank" if one_tank and box["mister"] else None
        tune(site, box)
        keeper(rng, box, site.days)


def draw_faults(site):
    """What is wrong with enclosures and sensors; with the water and the room of all; with the recording."""
    rng, days, minutes = site.rng, site.days, site.clock.minutes
    all_well = rng.random() < 0.1
    for box in site.boxes:
        box["fault"], box["sensor_fault"] = {}, {}
        chance = rng.random()
        if all_well or chance < 0.33:
            continue
        if chance < 0.69:
            fault = box["sensor_fault"] = plan.sensor_fault(rng, box, days)
        else:
            fault = box["fault"] = plan.condition_fault(rng, box, days)
        fault["start"] += WARM_UP
        fault["end"] = min(minutes, fault["end"] + WARM_UP) if fault["end"] else minutes
    pumped = [box for box in site.boxes if box["pump"]]
    if len(pumped) >= 2 and not all_well and rng.random() < 0.4:
        i = WARM_UP + int(rng.uniform(14, days - 10) * DAY)
        site.dry_tank = (i, i + int(rng.uniform(2, 6) * DAY))
        for box in pumped:
            box["sensor_fault"] = {}
            box["fault"] = dict(kind="reservoir-empty", size=0.0, start=site.dry_tank[0], end=site.dry_tank[1])
    site.real_room_t = site.room_t
    if not all_well and rng.random() < 0.25:
        i = WARM_UP + int(rng.uniform(14, days - 10) * DAY)
        site.hot_room = start, end, warmer_k = i, i + int(rng.uniform(1.5, 5) * DAY), float(rng.uniform(4, 9))
        extra_k = np.zeros(minutes)
        extra_k[start:end] = warmer_k
        by_hour = 0.75 + 0.25 * np.cos(2 * np.pi * (site.clock.hour - 16) / 24)
        site.real_room_t = site.room_t + smooth(extra_k, 400) * by_hour
    site.outage = np.zeros(minutes, bool)
    for _ in range(int(rng.integers(0, 5))):
        i = WARM_UP + int(rng.uniform(1, days - 1) * DAY)
        site.outage[i : i + int(rng.choice([20, 60, 180, 480, 900]))] = True
    for i, j in site.power_cuts:
        site.outage[i : j + 5] = True


def simulate_one(site, box):
    """One enclosure: its limits from a twin that is well, its true course, its readings and notes. Gives its truth."""
    rng, clock, power = site.rng, site.clock, site.power
    fault, sensor_fault = box["fault"], box["sensor_fault"]
    drive = drive_of(box, clock, site.room_t, site.room_v)
    drive["power"] = power
    drive["lamp_w"] *= power
    if box["window"]:
        morning = (clock.hour > 9) & (clock.hour < 13)
        drive["sun_w"] = MORNING_SUN_W * site.sky * morning * box["volume_m3"] / REFERENCE_M3
    apply_keeper(drive, box)
    notes = list(box["notes"])
    runs = schedule_runs(site, box, notes)
    by_hand = mist_by_hand(site, box, notes)
    for i, grams in by_hand:
        drive["mist_g"][i] += grams
        drive["vent_per_s"][i : i + 2] = SPRAYING_PER_S
    planned = [] if box["by_hand"] else runs

    twin = {name: values.copy() for name, values in drive.items()}
    for i, seconds in planned:
        if power[i] > 0:
            twin["mist_g"][i] += box["mist_g_s"] * seconds
    set_limits(site, box, physics.run(box, twin))

    drive["room_t"] = site.real_room_t.copy()
    break_conditions(site, box, drive)
    happened = mist(site, box, drive, planned)
    if fault.get("kind") == "reservoir-empty":
        notes.append((fault["end"], "refilled", f"{box['id']}-mister", "reservoir was empty"))
    curves = {s["id"]: curves_of(site, s) for s in box["sensors"]}
    gaps, changes = change_sensors(site, box, curves, notes)
    if sensor_fault:
        break_sensor(rng, sensor_fault, curves[sensor_fault["sensor"]])
    probe = curves[box["sensors"][0]["id"]]
    drive |= dict(error_pct=probe.error_pct, error_k=probe.error_k, gain=probe.gain)
    drive |= dict(probe_out=probe.out_share, probe_hold=probe.hold)
    trace = box["trace"] = physics.run(box, drive)

    read_sensors(site, box, drive, trace, curves, gaps)
    device_rows(site, box, drive, trace, happened)
    for minute, kind, subject, text in notes:
        if WARM_UP <= minute < clock.minutes:
            site.journal.append((minute, box["id"], kind, subject, text))
    return truth_of(site, box, drive, trace, curves, happened, by_hand, changes)


def schedule_runs(site, box, notes):
    """The scheduled mistings; the keeper may put the last of the day at another hour."""
    rng, clock = site.rng, site.clock
    box["runs_before"] = None
    if not (box["mister"] and rng.random() < 0.15):
        return mist_runs(clock, box["runs"], 0, clock.minutes)
    change = WARM_UP + int(rng.uniform(14, site.days - 14)) * DAY + 12 * 60
    *others, (minute, seconds) = box["runs"]
    new = others + [(minute + int(rng.choice([-60, 60, 90])), seconds)]
    before = mist_runs(clock, box["runs"], 0, change)
    box["runs_before"], box["runs"], box["change"] = box["runs"], new, change
    notes.append((change, "schedule-changed", f"{box['id']}-mister", "last misting at another hour"))
    return sorted(before + mist_runs(clock, new, change, clock.minutes))


def mist_by_hand(site, box, notes):
    """The mistings of the keeper's hand as (minute, grams), instead of a mister or now and then beside it."""
    rng, minutes = site.rng, site.clock.minutes
    mistings = []
    writes_down = float(rng.choice([0.0, 0.5, 1.0]))
    per_day = len(box["runs"]) if box["by_hand"] else (0.08 if rng.random() < 0.4 else 0)
    for day in range(minutes // DAY):
        for k in range(int(per_day) + (rng.random() < per_day % 1)):
            if box["by_hand"]:
                i = day * DAY + int(np.clip(box["runs"][k][0] + rng.normal(0, 40), 0, 1435))
            else:
                i = day * DAY + int(rng.uniform(9, 20) * 60)
            if i < minutes and not (box["by_hand"] and rng.random() < 0.06):
                mistings.append((i, box["mist_g_s"] * float(rng.uniform(25, 60))))
                if rng.random() < writes_down:
                    noted = min(minutes - 1, max(0, i + int(rng.normal(0, 6))))
                    notes.append((noted, "misted-by-hand", "", "sprayed"))
    return mistings


def break_conditions(site, box, drive):
    """Puts the enclosure's fault into what drives it; those of misting are in `mist`."""
    fault, clock = box["fault"], site.clock
    if not fault:
        return
    kind, size = fault["kind"], fault["size"]
    span = slice(fault["start"], fault["end"])
    inside = np.zeros(clock.minutes, bool)
    inside[span] = True
    lamp_w, vent = drive["lamp_w"], drive["vent_per_s"]
    if kind == "heater-stuck":
        drive["heat_force"][span] = 1
    elif kind == "thermostat-wrong":
        drive["heat_set_c"][span] += size
    elif kind == "heater-failed":
        drive["heat_ok"][span] = 0
    elif kind == "lamp-strong":
        lamp_w[span] *= size
    elif kind == "lamp-left-on":
        lamp_w[span] = box["lamp_w"] * site.power[span]
    elif kind == "light-hours":
        lamp_w[span] = (box["lamp_w"] * lit(clock, box, size * 60) * site.power)[span]
    elif kind == "vent-blocked":
        opened = vent[span] > 1.01 * box["vent_per_s"]
        vent[span] = np.where(opened, vent[span], box["vent_per_s"] * size)
    elif kind == "door-ajar":
        vent[span] = np.maximum(vent[span], box["vent_per_s"] * size)
    elif kind == "sun":
        afternoon = (clock.hour > 15) & (clock.hour < 17.5)
        drive["sun_w"] += size * inside * site.sky * afternoon * box["volume_m3"] / REFERENCE_M3
    elif kind == "cold-nights":
        drive["room_t"] -= size * smooth((inside & (clock.hour < 8)).astype(float), 60)
    elif kind == "warm-nights":
        drive["room_t"] += size * smooth((inside & ~lit(clock, box)).astype(float), 60)
    elif kind == "humidistat-wrong":
        drive["fog_set_pct"][span] += size


def mist(site, box, drive, planned):
    """Lets the planned mistings happen, as far as fault and power let them; what came of each."""
    rng, fault = site.rng, box["fault"]
    happened = []
    for i, seconds in planned:
        share, on = 1.0, True
        if fault and fault["start"] <= i < fault["end"]:
            kind, size = fault["kind"], fault["size"]
            if kind == "mist-clog":
                share = max(size, 1 - (1 - size) * (i - fault["start"]) / (35.0 * DAY))
            elif kind in ("mist-fell-60", "mist-fell-40"):
                share = size
            elif kind == "reservoir-empty":
                share = 0.0
            elif kind == "mist-missed":
                on = rng.random() > size
            elif kind == "mist-dead":
                on = False
        power_cut = bool(site.power[i] == 0)
        on = bool(on and not power_cut)
        if on:
            drive["mist_g"][i] += box["mist_g_s"] * seconds * share * rng.normal(1, 0.04)
        happened.append(
            dict(
                minute=i,
                at=site.clock.at(i),
                seconds=seconds,
                happened=on,
                yield_fraction=round(share if on else 0.0, 3),
                power_cut=power_cut,
                seen=not site.outage[i],
            )
        )
    return happened


def curves_of(site, sensor):
    """A sensor's constant errors, with a slow wander of its own and of its place's moisture on some sites."""
    rng, minutes = site.rng, site.clock.minutes

    def wandering(sd, days):
        return wander(rng, minutes, 60, days, sd) if site.wandering else np.zeros(minutes)

    sensor["wander_pct"] = float(rng.uniform(0.2, 0.7)) if site.wandering else 0.0
    local_sd = float(rng.uniform(0.005, 0.035)) if site.wandering else 0.0
    return Curves(
        error_pct=np.full(minutes, error_pct(sensor)) + wandering(sensor["wander_pct"], 8),
        error_k=np.full(minutes, sensor["offset_k"]),
        gain=np.full(minutes, sensor["gain"]),
        where=np.full(minutes, sensor["where"]),
        local=sensor["local"] + wandering(local_sd, 5),
        out_share=np.zeros(minutes),
        hold=np.zeros(minutes),
    )


def change_sensors(site, box, curves, notes):
    """Batteries changed, sensors moved and replaced: the gaps in their readings, and the changes for the truth."""
    rng = site.rng
    gaps, changes = {s["id"]: [] for s in box["sensors"]}, []
    for i, what, sensor in sensor_events(rng, box, site.days, box["sensor_fault"].get("sensor")):
        curve = curves[sensor["id"]]
        gaps[sensor["id"]].append((i - 6, i + 3))
        if what == "sensor-moved":
            curve.where[i:] = np.clip(sensor["where"] + rng.choice([-1, 1]) * rng.uniform(0.2, 0.4), 0, 1)
            curve.local[i:] += rng.uniform(-0.08, 0.08)
        elif what == "sensor-replaced":
            most_pct, most_k = sensor["class_pct_k"]
            curve.error_pct[i:] += plan.offset(rng, most_pct) - sensor["offset_pct"]
            curve.error_k[i:] += plan.offset(rng, most_k) - sensor["offset_k"]
        changes.append(dict(sensor=sensor["id"], kind=what, at=site.clock.at(i)))
        if rng.random() < 0.9 or what != "battery-changed":
            notes.append((i, what, sensor["id"], ""))
    return gaps, changes


def break_sensor(rng, fault, curve):
    """Puts a sensor's fault into its curves; those of its messages are in `sensor_rows`."""
    kind, size, start, end = fault["kind"], fault["size"], fault["start"], fault["end"]
    since = np.arange(len(curve.gain)) - start
    if kind == "drift":
        curve.error_pct += np.clip(since, 0, None) * size / (30 * DAY)
    elif kind == "step":
        curve.error_pct[start:] += size
    elif kind == "span-loss":
        loss = np.clip(since / (10 * DAY), 0, 1) * (1 - size)
        curve.error_pct += loss * SPAN_ABOUT_PCT * curve.gain
        curve.gain *= 1 - loss
    elif kind == "pinned":
        curve.error_pct[start:end] += 70
    elif kind == "stuck":
        curve.hold[start:end] = 1
    elif kind == "temperature-bias":
        curve.error_k[start:] += size
    elif kind == "dislodged":
        curve.out_share[start:] = rng.uniform(0.25, 0.7)
    elif kind == "battery":
        fault["silent"] = start + int(rng.uniform(12, 20) * DAY)


def read_sensors(site, box, drive, trace, curves, gaps):
    """What the sensors of an enclosure show, and how far that is from the truth, day by day."""
    clock, fault, room_v = site.clock, box["sensor_fault"], site.room_v
    mist_g = np.convolve(drive["mist_g"] * REFERENCE_M3 / box["volume_m3"], np.ones(3) / 3)[: clock.minutes]
    mist_near = smooth(mist_g, 4)
    lost_share = float(site.rng.uniform(0.002, 0.03))
    lamp = np.minimum(drive["lamp_w"] / box["lamp_w"], 2)
    for s in box["sensors"]:
        curve = curves[s["id"]]
        celsius, vapour = air_at(trace, curve.where, curve.local, room_v)
        celsius = celsius + curve.out_share * (site.real_room_t - celsius)
        vapour = vapour + curve.out_share * (room_v - vapour)
        element_c = smooth(celsius + s["lamp_k"] * lamp, s["lag_t_min"])
        shown = np.minimum(100.0, 100 * vapour / saturated(element_c) + s["mist_touch"] * mist_near * 30)
        shown = smooth(shown, s["lag_h_min"]) * curve.gain + curve.error_pct
        shown = np.clip(shown, 1, 100 if s["resolution_pct"] == 1 else 99.9)
        if curve.hold.any():
            shown[fault["start"] : fault["end"]] = shown[fault["start"]]
        around = humidity(celsius, vapour)
        s["error_by_day"] = daily_means(clock, shown - around)
        s["place_by_day"] = daily_means(clock, around - climate_at(trace, s, s["local"], room_v)[1])
        own_fault = fault if fault.get("sensor") == s["id"] else {}
        sensor_rows(site, box["id"], s, element_c + curve.error_k, shown, lost_share, own_fault, gaps[s["id"]])


def daily_means(clock, values):
    day = clock.day[WARM_UP:] - clock.day[WARM_UP]
    return [round(float(v), 2) for v in np.bincount(day, values[WARM_UP:]) / np.bincount(day)]


def sensor_rows(site, place, sensor, celsius, percent, lost_share, fault, gaps):
    """What arrives of one sensor: its messages with their noise, their steps and the faults of sending."""
    rng, step = site.rng, sensor["every_min"]
    at, i = arrivals(site, step, lost_share, fault, gaps)
    kind, start, end = (fault.get(k) for k in ("kind", "start", "end"))
    in_fault = (i >= start) & (i < end) if fault else np.zeros(len(i), bool)
    part = at - i
    shown_c = celsius[i] + part * (celsius[i + 1] - celsius[i]) + rng.normal(0, sensor["noise_k"], len(at))
    shown_pct = percent[i] + part * (percent[i + 1] - percent[i])
    no_noise = (in_fault & (kind == "stuck")) | (shown_pct >= 99.9)
    shown_pct = shown_pct + np.where(no_noise, 0, rng.normal(0, sensor["noise_pct"], len(at)))
    if kind == "spikes":
        hit = in_fault & (rng.random(len(at)) < fault["size"] * 2 * step / DAY)
        shown_pct = shown_pct + hit * rng.choice([-1, 1], len(at)) * rng.uniform(12, 45, len(at))
    resolution = sensor["resolution_pct"]
    shown_c = np.round(np.round(shown_c / 0.1) * 0.1, 1)
    shown_pct = np.clip(np.round(np.round(shown_pct / resolution) * resolution, 1), 0, 100)
    seconds = site.clock.epoch + np.round(at * 60).astype(np.int64)
    if kind == "clock" and fault["size"] < 0:
        seconds = np.where(in_fault, seconds - (site.clock.epoch + start * 60) + 60, seconds)
    elif kind == "clock":
        fault["sign"] = int(rng.choice([-1, 1]))
        seconds = np.where(in_fault, seconds + int(fault["size"]) * fault["sign"], seconds)
    for second, t, h in zip(seconds.tolist(), shown_c, shown_pct):
        site.rows.append((second, place, sensor["id"], "temperature", t, "Cel"))
        site.rows.append((second, place, sensor["id"], "humidity", h, "%RH"))
    if sensor["battery"]:
        level = 95 - (at - WARM_UP) / DAY * 0.3
        if kind == "battery":
            before = 5 * DAY
            level = level - 75 * np.clip((i - start + before) / (fault["silent"] - start + before), 0, 1)
        for k in range(0, len(at), max(1, int(360 / step))):
            left = round(max(1.0, float(level[k])), 0)
            site.rows.append((int(seconds[k]), place, sensor["id"], "battery", left, "%"))


def arrivals(site, step_min, lost_share, fault, gaps):
    """When messages of a sensor arrive, in minutes with their parts, and in whole ones."""
    rng, minutes = site.rng, site.clock.minutes
    first = WARM_UP + rng.uniform(0, step_min)
    at = first + np.cumsum(step_min * (1 + rng.normal(0, 0.03, int((minutes - WARM_UP) / step_min))))
    at = at[at < minutes - 1]
    i = at.astype(int)
    arrives = ~site.outage[i] & (rng.random(len(at)) > lost_share)
    for start, end in gaps:
        arrives &= ~((i >= start) & (i < end))
    if fault.get("kind") == "silent":
        arrives &= ~((i >= fault["start"]) & (i < fault["end"]))
    elif fault.get("kind") == "battery":
        age = np.clip((i - fault["start"]) / (fault["silent"] - fault["start"]), 0, None)
        arrives &= rng.random(len(at)) > np.where(age > 0, 0.2 + 0.75 * age, 0)
        arrives &= age < 1
    return at[arrives], i[arrives]


def device_rows(site, box, drive, trace, happened):
    """What arrives of the devices: their states at each change, and again now and then."""
    rng, outage, epoch = site.rng, site.outage, site.clock.epoch
    repeat_min = int(rng.choice([0, 0, 15, 60]))
    repeats = list(range(WARM_UP + 7, site.clock.minutes, repeat_min)) if repeat_min else []

    def states(name, on):
        states = on.astype(int)
        edges = [i for i in np.flatnonzero(np.diff(states)) + 1 if i >= WARM_UP]
        for i in sorted({WARM_UP, *edges, *repeats}):
            if not outage[i] and rng.random() > 0.002:
                second = epoch + int(i) * 60 + int(rng.integers(0, 4))
                site.rows.append((second, box["id"], f"{box['id']}-{name}", "state", int(states[i]), ""))

    if box["heater_w"]:
        states("heater", trace["heater"])
    if box["fog_g_h"]:
        states("fogger", trace["fogger"])
    states("lamp", drive["lamp_w"] > 0)
    for run in happened:
        if run["happened"] and run["minute"] >= WARM_UP and run["seen"]:
            second = epoch + run["minute"] * 60 + int(rng.integers(0, 3))
            for at, state in ((second, 1), (second + run["seconds"], 0)):
                site.rows.append((at, box["id"], f"{box['id']}-mister", "state", state, ""))


def read_room(site):
    """The room's own sensor."""
    rng = site.rng
    sensor = dict(id="room-wall", every_min=5.0, resolution_pct=0.1, battery=False, noise_pct=0.15, noise_k=0.04)
    offset_pct, offset_k = rng.normal(0, 1.5), rng.normal(0, 0.15)
    percent = np.minimum(100, 100 * smooth(site.room_v, 3) / saturated(site.real_room_t))
    sensor_rows(site, "room", sensor, smooth(site.real_room_t, 5) + offset_k, percent + offset_pct, 0.01, {}, ())


def truth_of(site, box, drive, trace, curves, happened, by_hand, changes):
    """All that can be asked about one enclosure."""
    clock, fault = site.clock, box["fault"]
    climates = [climate_at(trace, s, curves[s["id"]].local, site.room_v) for s in zone_sensors(box)]
    zone_c, zone_pct = (np.array(values) for values in zip(*climates))
    quiet_min, in_fault_min = half_falls(site, trace, happened, fault)
    faults = []
    if fault:
        faults = [span_truth(clock, fault, round(fault["size"], 3))]
    return dict(
        enclosure=box["id"],
        species=box["species"],
        limits=box["limits"],
        zone=box["zone"],
        humidity_sensors=len(box["sensors"]),
        by_hand=box["by_hand"],
        pump=box["pump"],
        volume_m3=round(box["volume_m3"], 3),
        ventilation_half_life_min=round(math.log(2) / box["vent_per_s"] / 60, 1),
        misting_half_fall_min=quiet_min,
        misting_half_fall_in_fault_min=in_fault_min,
        heater_w=round(box["heater_w"], 1),
        lamp_w=round(box["lamp_w"], 1),
        set_c=box["set_c"],
        set_rh=box["set_pct"],
        sensors=[sensor_truth(clock, s, box["sensor_fault"]) for s in box["sensors"]],
        faults=faults,
        changes=changes,
        days=true_days(clock, box, drive, zone_c, zone_pct),
        nights=true_nights(clock, box, zone_c),
        runs=[{k: v for k, v in r.items() if k != "minute"} for r in happened if r["minute"] >= WARM_UP],
        by_hand_times=[clock.at(i) for i, _ in by_hand if i >= WARM_UP],
        heater_called_in_vain_h=called_in_vain(clock, box, trace),
    )


def span_truth(clock, fault, size):
    return dict(kind=fault["kind"], size=size, start=clock.at(fault["start"]), end=clock.at(fault["end"]))


def sensor_truth(clock, sensor, fault):
    faults = []
    if fault.get("sensor") == sensor["id"]:
        faults = [span_truth(clock, fault, fault["size"] * fault.get("sign", 1))]
        if "silent" in fault:
            faults[0]["silent"] = clock.at(fault["silent"])
    return dict(
        id=sensor["id"],
        role=sensor["role"],
        every_min=sensor["every_min"],
        offset_h=round(sensor["offset_pct"], 2),
        offset_t=round(sensor["offset_k"], 2),
        klass=sensor["class_pct_k"],
        wander_pct=round(sensor["wander_pct"], 2),
        lamp_k=round(sensor["lamp_k"], 2),
        error_h_by_day=sensor["error_by_day"],
        place_h_by_day=sensor["place_by_day"],
        faults=faults,
    )


def true_days(clock, box, drive, zone_c, zone_pct):
    """Day by day, in the animals' zone. The loose hours count what a strict judge could see in one place."""
    limits, day_asked = box["limits"], lit(clock, box)
    coolest, warmest = zone_c.min(0), zone_c.max(0)
    driest, wettest = zone_pct.min(0), zone_pct.max(0)
    low_pct = np.where(day_asked, limits["rh_day"][0], limits["rh_night"][0])
    high_pct = np.where(day_asked, limits["rh_day"][1], limits["rh_night"][1])
    days = []
    for day in np.unique(clock.day[WARM_UP:]):
        m = np.flatnonzero((clock.day == day) & clock.recorded)

        def degree_hours(excess_k):
            return round(float(np.clip(excess_k, 0, None).sum() / 60), 3)

        def hours(mask):
            return round(float(mask.sum() / 60), 2)

        above, below = coolest[m] - limits["max"], limits["min"] - warmest[m]
        days.append(
            dict(
                date=clock.date(day),
                degree_hours_above=degree_hours(above),
                minutes_above=int((above > 0).sum()),
                highest_cool_place=round(float(coolest[m].max()), 2),
                degree_hours_above_warm_place=degree_hours(warmest[m] - limits["max"]),
                degree_hours_below=degree_hours(below),
                degree_hours_below_cool_place=degree_hours(limits["min"] - coolest[m]),
                minutes_below=int((below > 0).sum()),
                lit_minutes=int((drive["lamp_w"][m] > 0).sum()),
                asked_minutes=int(day_asked[m].sum()),
                dry_h=hours(wettest[m] < low_pct[m] - 3),
                dry_h_loose=hours(driest[m] < low_pct[m] + 1),
                wet_h=hours(driest[m] > np.minimum(high_pct[m] + 3, 99.9)),
                wet_h_loose=hours(wettest[m] > high_pct[m] - 1),
                mean_humidity=round(float(zone_pct[:, m].mean()), 2),
                saturated_h=hours(driest[m] > 97),
                day_minus_night=None,
            )
        )
    return days


def true_nights(clock, box, zone_c):
    """Night by night, under the date on which it began; `drop` is from the ten hours before it."""
    mean = zone_c.mean(0)
    nights = []
    for start, end in spans(~lit(clock, box) & clock.recorded):
        if end - start < 300:
            continue
        began = clock.day[start] if clock.minute_of_day[start] > 600 else clock.day[start] - 1
        places, night_mean = zone_c[:, start:end].mean(1), mean[start:end].mean()
        nights.append(
            dict(
                date=clock.date(began),
                mean=round(float(night_mean), 3),
                coolest=round(float(places.min()), 3),
                warmest=round(float(places.max()), 3),
                drop=round(float(mean[max(0, start - 600) : start].mean() - night_mean), 2),
            )
        )
    return nights


def half_falls(site, trace, happened, fault):
    """Minutes in which vapour falls by half after a misting: the median outside the fault, and within."""
    vapour = trace["vapour"]
    quiet, during = [], []
    for run in happened:
        i = run["minute"]
        if not (run["happened"] and i > WARM_UP and i + 240 < site.clock.minutes):
            continue
        top, base = i + int(np.argmax(vapour[i : i + 45])), vapour[i - 1]
        below = np.flatnonzero(vapour[top : top + 400] < (base + vapour[top]) / 2)
        if vapour[top] - base > 0.4 and len(below):
            in_fault = fault and fault["start"] <= i < fault["end"]
            (during if in_fault else quiet).append(int(below[0]))
    return tuple(float(np.median(falls)) if falls else None for falls in (quiet, during))


def called_in_vain(clock, box, trace):
    """Hours a day in which a heater that gives nothing was switched on."""
    if not box["heater_w"]:
        return None
    failed, fault = np.zeros(clock.minutes, bool), box["fault"]
    if fault.get("kind") == "heater-failed":
        failed[fault["start"] : fault["end"]] = True
    in_vain = trace["heater"] & failed
    days = np.unique(clock.day[WARM_UP:])
    return {clock.date(day): round(float(in_vain[clock.day == day].sum() / 60), 2) for day in days}


def hhmm(minute):
    minute %= DAY
    return f"{minute // 60:02d}:{minute % 60:02d}"


def site_file(site, before=()):
    """The text of site.toml; the enclosures named in `before` have their schedule from before its change."""
    lines = ["# Invented data: an independent simulation, made to judge the program.", ""]
    lines += ["[site]", 'name = "An invented room"', f"timezone = {json.dumps(site.zone)}", 'data_dir = "data"', ""]
    lines += ["[broker]", 'url = "builtin"', 'listen = "127.0.0.1:1883"']
    if site.room_measured:
        lines += ["", "[[room.sensor]]", 'id = "room-wall"', "accuracy = { humidity_pct = 3.0, temperature_c = 0.3 }"]
        lines += feeds("room", "room-wall", False)
    for box in site.boxes:
        box_id, (on, off) = box["id"], box["day"]
        lines += ["", "[[enclosure]]", f'id = "{box_id}"', f'label = "Enclosure {box_id}"']
        lines += [f'species = "{box["species"]}"', f'day = {{ start = "{hhmm(on)}", end = "{hhmm(off)}" }}']
        if box["override"]:
            lines.append("limits = { " + ", ".join(f"{k} = {v}" for k, v in box["override"].items()) + " }")
        for s in box["sensors"]:
            lines += sensor_lines(box_id, s)
        lines += device_lines(box, box["runs_before"] if box_id in before else box["runs"])
    return "\n".join(lines) + "\n"


def feeds(box_id, sensor_id, battery):
    kinds = [("t", "temperature", "Cel"), ("rh", "humidity", "%RH")] + ([("b", "battery", "%")] if battery else [])
    topic = f"room/{box_id}/{sensor_id}"
    return (
        ["feeds = ["]
        + [
            f'  {{ topic = "{topic}", pointer = "/{key}", quantity = "{quantity}", unit = "{unit}" }},'
            for key, quantity, unit in kinds
        ]
        + ["]"]
    )


def sensor_lines(box_id, sensor):
    lines = ["", "[[enclosure.sensor]]"] + [f'{key} = "{sensor[key]}"' for key in ("id", "role", "place")]
    if sensor["state_accuracy"]:
        pct, kelvin = sensor["class_pct_k"]
        lines.append(f"accuracy = {{ humidity_pct = {pct}, temperature_c = {kelvin} }}")
    if sensor["zone"] is not None:
        lines.append(f"animal_zone = {'true' if sensor['zone'] else 'false'}")
    return lines + feeds(box_id, sensor["id"], sensor["battery"])


def device_lines(box, runs):
    lines, box_id = [], box["id"]
    controlled = f'controlled_by = "{box["sensors"][0]["id"]}"'

    def device(kind, *extra):
        lines.extend(["", "[[enclosure.device]]", f'id = "{box_id}-{kind}"', f'kind = "{kind}"', *extra])
        lines.append(f'feeds = [ {{ topic = "room/{box_id}/{kind}", format = "state" }} ]')

    if box["mister"]:
        schedule = ", ".join(f'"{hhmm(minute)} for {seconds}s"' for minute, seconds in runs)
        device("mister", f"schedule = [{schedule}]", *([f'pump = "{box["pump"]}"'] if box["pump"] else []))
    if box["fog_g_h"]:
        setpoint = f"humidity_pct = {box['set_pct']}, hysteresis_pct = {box['fog_hyst_pct']}"
        device("fogger", controlled, f"setpoint = {{ {setpoint} }}")
    if box["heater_w"]:
        setpoint = f"temperature_c = {float(box['set_c'])}, hysteresis_c = {box['heat_hyst_k']}"
        device("heater", controlled, f"setpoint = {{ {setpoint} }}")
    device("lamp")
    return lines


def write_tables(site, out):
    site.rows.sort(key=lambda row: row[0])
    with open(out / "readings.csv", "w") as file:
        file.write("time,enclosure,sensor,quantity,value,unit\n")
        last, text = None, ""
        for second, *rest in site.rows:
            if second != last:
                last, text = second, stamp(second)
            file.write(f"{text},{','.join(map(str, rest))}\n")
    with open(out / "journal.csv", "w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", "enclosure", "kind", "subject", "text"])
        for minute, box_id, kind, subject, text in sorted(site.journal):
            table.writerow([site.clock.at(minute), box_id, kind, subject, text or kind.replace("-", " ")])


def write_site_files(site, out):
    """The site file, and one for each change of a schedule as it was before; gives the list of the latter."""
    (out / "site.toml").write_text(site_file(site))
    changes = sorted((box["change"], box["id"]) for box in site.boxes if box["runs_before"])
    versions = []
    for k, (minute, _) in enumerate(changes):
        name = f"site-until-{k + 1}.toml"
        (out / name).write_text(site_file(site, [box_id for _, box_id in changes[k:]]))
        versions.append(dict(until=site.clock.at(minute), file=name))
    return versions


def write_truth(site, out, weeks, versions, enclosures):
    clock = site.clock
    mondays = np.flatnonzero((clock.minute_of_day == 0) & ((clock.day + 3) % 7 == 0) & clock.recorded)
    hot_room = None
    if site.hot_room:
        start, end, warmer_k = site.hot_room
        hot_room = dict(start=clock.at(start), end=clock.at(min(clock.minutes, end + 600)), by=warmer_k)
    truth = dict(
        seed=site.seed,
        timezone=site.zone,
        invented=True,
        room_kind=site.room_kind,
        room_measured=site.room_measured,
        noise="wander" if site.wandering else "quiet",
        weeks=[clock.at(int(i)) for i in mondays][:weeks] + [clock.at(clock.minutes)],
        site_versions=versions,
        hot_room=hot_room,
        power_cuts=[[clock.at(i), clock.at(j)] for i, j in site.power_cuts],
        outages=[[clock.at(i), clock.at(min(clock.minutes - 1, j))] for i, j in spans(site.outage)],
        empty_reservoir=[clock.at(i) for i in site.dry_tank] if site.dry_tank else None,
        room_mean_c=round(float(site.real_room_t[WARM_UP:].mean()), 2),
        enclosures=enclosures,
    )
    (out / "truth.json").write_text(json.dumps(truth, indent=1))


def write_traces(site, out):
    curves = {f"{b['id']}.{k}": v for b in site.boxes for k, v in b["trace"].items() if isinstance(v, np.ndarray)}
    room = dict(room_t=site.real_room_t, room_v=site.room_v, local=site.clock.local)
    np.savez_compressed(out / "traces.npz", **room, **curves)


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--seed", type=int, required=True)
    arguments.add_argument("--out", type=Path, required=True)
    arguments.add_argument("--weeks", type=int, default=10)
    arguments.add_argument("--traces", action="store_true", help="also write the true curves as traces.npz")
    options = arguments.parse_args()
    out = options.out
    out.mkdir(parents=True, exist_ok=True)
    site = begin_site(options.seed, options.weeks)
    furnish(site)
    draw_faults(site)
    enclosures = [simulate_one(site, box) for box in site.boxes]
    if site.room_measured:
        read_room(site)
    for _, end in site.power_cuts:
        if site.rng.random() < 0.6:
            site.journal.append((end + 20, site.boxes[0]["id"], "power-cut", "", "power was away"))
    write_tables(site, out)
    write_truth(site, out, options.weeks, write_site_files(site, out), enclosures)
    if options.traces:
        write_traces(site, out)


if __name__ == "__main__":
    os.nice(5)
    main()
