"""Judges the program blindly on invented sites that simulate.py wrote, and prints one table.

In: the program and folders of sites. Each site is imported afresh; findings are asked for week by week and at set
delays after each fault.
Out: what was found of what was there, what was said that was not, and how near the stated values are; with --list each
miss and false finding.
The answers are kept beside the sites, under a digest of program and site.
"""

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from statistics import median
from zoneinfo import ZoneInfo

DELAYS = (1, 3, 7, 14, 28)  # days after a fault began (own choice)
LISTED_MOMENTS = ("7 d", "28 d", "week")  # of which misses are listed
UNDECIDED = "can't be told"  # the program's words where it can't say which of two sensors is wrong

# What the program should say of each invented fault (own choice).
BIAS = {"humidity-drift", "humidity-step"}
OF_SENSOR_FAULT = {
    "drift": BIAS,
    "step": BIAS,
    "span-loss": BIAS,
    "pinned": {"sensor-pinned", "sensor-stuck"},
    "stuck": {"sensor-stuck", "sensor-pinned"},
    "silent": {"sensor-silent"},
    "battery": {"sensor-silent"},
    "spikes": {"sensor-spikes"},
    "clock": {"clock-wrong"},
    "clock-1970": {"clock-wrong", "sensor-silent"},
    "temperature-bias": {"temperature-bias"},
    "dislodged": BIAS | {"temperature-bias"},
}
OF_CONDITION_FAULT = {
    "heater-stuck": {"heater-stuck-on"},
    "thermostat-wrong": {"heater-stuck-on", "setpoint-missed"},
    "heater-failed": {"heater-failed"},
    "lamp-left-on": {"light-hours-wrong"},
    "light-hours": {"light-hours-wrong"},
    "mist-clog": {"mist-weak"},
    "mist-fell-60": {"mist-weak"},
    "mist-fell-40": {"mist-weak"},
    "reservoir-empty": {"mist-weak", "mist-missed"},
    "mist-missed": {"mist-missed"},
    "mist-dead": {"mist-missed"},
    "vent-blocked": {"stays-wet", "humidity-too-high"},
    "door-ajar": {"humidity-too-low"},
    "humidistat-wrong": {"setpoint-missed", "stays-wet", "humidity-too-high"},
    "lamp-strong": {"overheating"},
    "sun": {"overheating"},
    "cold-nights": {"night-too-cold", "overcooling"},
    "warm-nights": {"night-too-warm", "overheating"},
}
CAUSE = {
    "heater-stuck": "heater",
    "thermostat-wrong": "heater",
    "lamp-strong": "lamp",
    "lamp-left-on": "lamp",
    "light-hours": "lamp",
    "warm-nights": "room-heat",
    "sun": None,
}
SENSOR_KINDS = BIAS | {"sensor-stuck", "sensor-pinned", "sensor-spikes", "sensor-silent", "clock-wrong"}
SENSOR_KINDS |= {"temperature-bias"}
CONDITION_KINDS = {"overheating", "overcooling", "night-too-warm", "night-too-cold", "no-night-drop"}
CONDITION_KINDS |= {"heater-stuck-on", "heater-failed", "humidity-too-low", "humidity-too-high", "setpoint-missed"}
CONDITION_KINDS |= {"mist-weak", "mist-missed", "stays-wet", "light-hours-wrong", "care-overdue"}

SIGNED_FAULTS = ("drift", "step", "temperature-bias")
COMPARED_FAULTS = (*SIGNED_FAULTS, "span-loss", "dislodged")  # are seen by comparison with another sensor
MISTING_FAULTS = ("mist-clog", "reservoir-empty", "mist-missed", "mist-dead", "mist-fell-60", "mist-fell-40")
WEATHER_FAULTS = ("lamp-strong", "sun", "cold-nights", "warm-nights")

# Own choice: from the upper bound on it must be said, below the lower it must not be; between, either is right.
DEGREE_HOURS = (0.1, 0.5)
NIGHT_K = (-0.3, 0.3)
HUMIDITY_H = (0.25, 4)
HEATER_IN_VAIN_H = 3
WEAK_MISTING = 0.75
LIGHT_OFF_MIN = 15
SATURATED_H = 6
SETPOINT_OFF_PCT = 5
NIGHT_DROP_K = 1.5
WANDERED_PCT = 1


def when(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(timezone.utc)


def stamp(time):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")


def faults_of(truth):
    """Each fault with its enclosure and its sensor (none if it is of the conditions)."""
    for enclosure in truth["enclosures"]:
        for sensor in enclosure["sensors"]:
            for fault in sensor["faults"]:
                yield enclosure, sensor, fault
        for fault in enclosure["faults"]:
            yield enclosure, None, fault


def weeks_of(truth):
    return list(zip(truth["weeks"], truth["weeks"][1:]))


def delayed(fault, days):
    """The seven days that end so long after the fault began."""
    end = when(fault["start"]) + timedelta(days=days)
    return stamp(end - timedelta(days=7)), stamp(end)


def spans_of(truth):
    """Every span to ask for: the weeks, then those at each delay, as far as the recording goes."""
    spans = weeks_of(truth)
    for _, _, fault in faults_of(truth):
        at_delays = (delayed(fault, days) for days in DELAYS)
        spans += [span for span in at_delays if when(span[1]) <= when(truth["weeks"][-1])]
    return spans


def ask(job):
    """All answers of the program for one site, from the cache where it has them."""
    folder, program = Path(job[0]), job[1]
    os.nice(5)
    truth = json.loads((folder / "truth.json").read_text())
    digest = hashlib.sha256(Path(program).read_bytes())
    for name in ("readings.csv", "journal.csv", "site.toml"):
        digest.update((folder / name).read_bytes())
    cache = folder / f"flags-{digest.hexdigest()[:16]}.json"
    answers = json.loads(cache.read_text()) if cache.exists() else {}
    missing = [span for span in spans_of(truth) if "|".join(span) not in answers]
    if missing:
        with tempfile.TemporaryDirectory(dir=folder) as copy:
            answers |= run_program(program, folder, copy, truth, missing)
        cache.write_text(json.dumps(answers))
    return folder.name, truth, answers


def run_program(program, folder, copy, truth, spans):
    """Imports the site into the folder `copy` and asks for the findings of each span, by the site file of that time."""
    for file in folder.glob("site*.toml"):
        shutil.copy(file, copy)

    def run(*command, good=(0,)):
        result = subprocess.run([program, *command], capture_output=True, text=True)
        if result.returncode not in good:
            raise SystemExit(f"{folder}: {command[0]} failed: {result.stderr[-2000:]}")
        return result.stdout

    run("import", "--site", f"{copy}/site.toml", str(folder / "readings.csv"))
    run("journal", "import", "--site", f"{copy}/site.toml", str(folder / "journal.csv"))
    answers = {}
    for start, end in spans:
        site = next((v["file"] for v in truth["site_versions"] if when(end) <= when(v["until"])), "site.toml")
        asked = ("--site", f"{copy}/{site}", "--from", start, "--to", end, "--format", "json")
        answers[f"{start}|{end}"] = json.loads(run("flags", *asked, good=(0, 3)))
    return answers


class Tally:
    """What is counted, over all sites."""

    def __init__(self):
        self.count = Counter()
        self.list = []
        self.faults = {"sensor": defaultdict(Counter), "condition": defaultdict(Counter)}
        self.values = defaultdict(list)
        self.false_kinds = defaultdict(Counter)

    def note(self, what, site, time, enclosure, true, said):
        self.list.append((what, site, time, enclosure, true, said))

    def value(self, name, error, stated, true):
        """One stated value: its error, and whether its interval (where it has one) holds the truth."""
        holds = stated["low"] <= true <= stated.get("high", float("inf")) if "low" in stated else None
        self.values[name].append((error, holds))


class Answers:
    """One site with its truth and the program's answers."""

    def __init__(self, name, truth, answers):
        self.name, self.truth, self.answers = name, truth, answers
        self.zone = ZoneInfo(truth["timezone"])
        self.weeks = weeks_of(truth)
        self.outages = [(when(a), when(b)) for a, b in truth["outages"]]

    def local(self, finding):
        return when(finding["start"]).astimezone(self.zone)

    def in_outage(self, finding, end, near=timedelta(0)):
        first, last = when(finding["start"]) - near, when(finding["end"] or end)
        return any(a - near < last and first < b for a, b in self.outages)


def of_enclosure(answer, enclosure):
    return [x for x in answer["findings"] if x["enclosure"] == enclosure["enclosure"]]


def not_assessed(answer, kinds, enclosure, sensor):
    name = enclosure["enclosure"]
    return any(
        x["kind"] in kinds
        and x["enclosure"] == name
        and (sensor is None or x.get("subject") in (None, sensor["id"], name))
        for x in answer["not_assessed"]
    )


def bias_stated(finding):
    """The bias that a finding states beside its value."""
    return next((v for v in finding.get("also") or [] if "bias" in v["name"].lower()), None)


def label(fault, enclosure, sensor):
    """The row of the table."""
    kind, size = fault["kind"], fault["size"]
    text = kind
    if kind in ("drift", "step", "temperature-bias", "span-loss"):
        text = f"{kind} {abs(size):g}"
    elif kind == "clock":
        text = "clock 1970" if size == -1970 else f"clock {abs(size):g} s"
    if sensor and kind in COMPARED_FAULTS:
        text += ", one sensor" if enclosure["humidity_sensors"] == 1 else ", two or more"
    return text


def kinds_of(fault, sensor):
    if not sensor:
        return OF_CONDITION_FAULT[fault["kind"]]
    return OF_SENSOR_FAULT["clock-1970" if fault["kind"] == "clock" and fault["size"] == -1970 else fault["kind"]]


def is_right(finding, fault, sensor):
    """The right thing by the right name, of the right sign, begun no more than ten days too early.

    (A drift's start is hard to tell.)
    """
    start = when(fault["start"])
    return (
        finding["kind"] in kinds_of(fault, sensor)
        and (not sensor or finding["subject"] == sensor["id"])
        and (finding["end"] is None or when(finding["end"]) >= start)
        and when(finding["start"]) >= start - timedelta(days=10)
        and (not (sensor and fault["kind"] in SIGNED_FAULTS) or finding["value"]["estimate"] * fault["size"] > 0)
    )


def shows(enclosure, fault, start, end):
    """Whether the fault did anything within the span that could be found."""
    kind = fault["kind"]
    first, last = start.date().isoformat(), end.date().isoformat()
    if kind == "heater-failed":
        hours = sum(h for date, h in enclosure["heater_called_in_vain_h"].items() if first <= date <= last)
        return hours >= HEATER_IN_VAIN_H
    if kind in MISTING_FAULTS:
        began = when(fault["start"])
        return any(
            began <= when(r["at"]) and start <= when(r["at"]) < end and r["yield_fraction"] <= WEAK_MISTING
            for r in enclosure["runs"]
        )
    if kind in WEATHER_FAULTS:
        low, high = enclosure["limits"]["night"]
        days = [d for d in enclosure["days"] if first <= d["date"] < last]
        nights = [d for d in enclosure["nights"] if first <= d["date"] < last]
        bad_days = (max(d["degree_hours_above"], d["degree_hours_below"]) >= DEGREE_HOURS[1] for d in days)
        bad_nights = (d["mean"] > high + NIGHT_K[1] or d["mean"] < low - NIGHT_K[1] for d in nights)
        return any(bad_days) or any(bad_nights)
    return True


def score_fault(tally, site, enclosure, sensor, fault):
    """Whether a fault is found, at exact delays and at weeks' ends."""
    start, end = when(fault["start"]), when(fault["end"])
    counts = tally.faults["sensor" if sensor else "condition"][label(fault, enclosure, sensor)]
    counts["faults"] += 1
    moments = [(f"{days} d", delayed(fault, days)) for days in DELAYS]
    moments += [("week", week) for week in site.weeks if when(week[1]) > start and when(week[0]) < end]
    for moment, span in moments:
        answer = site.answers.get("|".join(span))
        first, last = when(span[0]), when(span[1])
        if answer is None or first > end or not shows(enclosure, fault, first, last):
            continue
        score_moment(tally, site, counts, answer, (enclosure, sensor, fault), moment, span)
        if sensor and moment == "week":
            score_companions(tally, site, enclosure, sensor, fault, answer, span[1])


def score_moment(tally, site, counts, answer, which, moment, span):
    """One answer about one fault; `which` is enclosure, sensor and fault."""
    enclosure, sensor, fault = which
    kinds, start = kinds_of(fault, sensor), when(fault["start"])
    mine = of_enclosure(answer, enclosure)
    hits = [x for x in mine if is_right(x, fault, sensor)]
    pair = bool(sensor) and not hits and any(named_as_pair(x, kinds, start) for x in mine)
    unjudged = not hits and not_assessed(answer, kinds, enclosure, sensor)
    counts["there " + moment] += 1
    counts["found " + moment] += bool(hits)
    counts["pair " + moment] += pair
    counts["not assessed " + moment] += unjudged
    if hits and sensor and moment == "week":
        score_bias(tally, fault, hits[0], min(when(span[1]), when(fault["end"])))
    if not hits and not pair and moment in LISTED_MOMENTS:
        recent = [x for x in mine if when(x["start"]) > start - timedelta(days=3)]
        tally.note(
            "miss (not assessed)" if unjudged else "miss",
            site.name,
            f"{moment} to {span[1]}",
            enclosure["enclosure"],
            f"{fault['kind']} {fault['size']:g} {sensor['id'] if sensor else ''} since {fault['start']}",
            "; ".join(f"{x['kind']} {x['subject']}: {x['message']}" for x in recent)[:400],
        )
    if not sensor and not hits:
        counts["otherwise " + moment] += any(x["kind"] not in SENSOR_KINDS | {"care-overdue"} for x in mine)


def named_as_pair(finding, kinds, start):
    comparable = finding["kind"] in kinds & (BIAS | {"temperature-bias"})
    return comparable and UNDECIDED in finding["message"] and when(finding["start"]) > start - timedelta(days=4)


def score_bias(tally, fault, finding, time):
    """How near the stated bias or drift is to the truth at that time."""
    kind, size, value = fault["kind"], fault["size"], finding["value"]
    days = max(0.0, (time - when(fault["start"])).total_seconds() / 86400)
    now = size * days / 30 if kind == "drift" else size
    stated = []
    if kind == "drift" and finding["kind"] == "humidity-drift":
        stated.append(("drift rate, %RH/30 d", value, size))
    if kind in ("drift", "step") and finding["kind"] == "humidity-drift" and bias_stated(finding):
        stated.append(("humidity bias now, %RH", bias_stated(finding), now))
    if kind in ("drift", "step") and finding["kind"] == "humidity-step":
        stated.append(("humidity step, %RH", value, now))
    if kind == "temperature-bias" and finding["kind"] == "temperature-bias":
        stated.append(("temperature bias, K", value, size))
    for name, said, true in stated:
        tally.value(name, abs(said["estimate"] - true), said, true)


def score_companions(tally, site, enclosure, sensor, fault, answer, end):
    """What is said of the sensors beside a faulty one, and of that one by another name."""
    tally.count["weeks with a faulty sensor"] += 1
    companions = {x["id"] for x in enclosure["sensors"]} - {sensor["id"]}
    for x in of_enclosure(answer, enclosure):
        if x["kind"] not in SENSOR_KINDS:
            continue
        if x["subject"] in companions and UNDECIDED in x["message"]:
            tally.count["companion named, said to be undecided"] += 1
        elif x["subject"] in companions and not (x["kind"] == "sensor-silent" and site.outages):
            tally.count["wrong blame of a companion"] += 1
            true = f"{fault['kind']} {fault['size']:g} {sensor['id']}"
            said = f"{x['kind']} {x['subject']}: {x['message']}"
            tally.note("wrong blame", site.name, end, enclosure["enclosure"], true, said)
        elif x["subject"] == sensor["id"] and x["kind"] not in kinds_of(fault, sensor):
            tally.count["right sensor, another name"] += 1


@dataclass
class Week:
    """One week of one enclosure: the truth of it and what the program says at its end."""

    site: Answers
    enclosure: dict
    span: tuple
    answer: dict
    later: dict  # the answer of the week after, which judges the last night

    def __post_init__(self):
        truth, enclosure = self.site.truth, self.enclosure
        self.start, self.end = when(self.span[0]), when(self.span[1])
        self.mine, self.after = of_enclosure(self.answer, enclosure), of_enclosure(self.later, enclosure)
        self.sensors = {s["id"] for s in enclosure["sensors"]}
        self.condition = enclosure["faults"][0] if enclosure["faults"] else None
        self.condition_began = bool(self.condition) and when(self.condition["start"]) < self.end
        self.sensor_faults = [f for s in enclosure["sensors"] for f in s["faults"]]
        self.sensor_began = any(when(f["start"]) < self.end for f in self.sensor_faults)
        hot = truth["hot_room"]
        self.room_hot = bool(hot) and when(hot["start"]) < self.end and self.start < when(hot["end"])
        first, last = (t.astimezone(self.site.zone).date().isoformat() for t in (self.start, self.end))
        self.days, self.nights = (
            {d["date"]: d for d in enclosure[table] if first <= d["date"] < last} for table in ("days", "nights")
        )

    def of_sensor(self, finding):
        """Whether it is about a sensor, be it by its kind or by its subject."""
        about = finding["subject"] in self.sensors and finding["kind"] not in CONDITION_KINDS
        return finding["kind"] in SENSOR_KINDS or about

    def note(self, tally, what, true, said, time=None):
        tally.note(what, self.site.name, time or self.span[1], self.enclosure["enclosure"], true, said)


def score_healthy_sensors(tally, week):
    """Findings about sensors that are well."""
    site, enclosure, noise = week.site, week.enclosure, week.site.truth["noise"]
    if week.sensor_began:
        return
    tally.count[f"healthy sensor-weeks {noise}"] += len(week.sensors)
    for x in week.mine:
        if not week.of_sensor(x):
            continue
        if x["kind"] == "sensor-silent" and site.in_outage(x, week.span[1]):
            tally.count["silences that an outage explains"] += 1
            continue
        moved, by = wandered(site, enclosure, x, week.end)
        tally.count["false sensor findings"] += 1
        tally.false_kinds[f"sensor {noise}"][x["kind"] + (", as it wandered" if moved else "")] += 1
        true = "well; " + ", ".join(f"{c['kind']} {c['sensor']} {c['at'][:10]}" for c in enclosure["changes"])
        if by:
            true += f"; since then by truth {by}"
        if week.condition_began:
            true += f"; {week.condition['kind']} since {week.condition['start'][:10]}"
        week.note(tally, "false sensor", true, f"{x['kind']} {x['subject']}: {x['message']}")


def wandered(site, enclosure, finding, now):
    """Whether a sensor that is well truly moved in the way said since about then, and how all moved (in %RH).

    It may move against its companions by its own wander, by its place's, or both.
    """
    if finding["kind"] not in BIAS:
        return False, ""
    first = when(site.truth["weeks"][0]).astimezone(site.zone).date()

    def day(time):
        return max(0, (time.astimezone(site.zone).date() - first).days)

    def mean(sensor, start, end):
        both = [a + b for a, b in zip(sensor["error_h_by_day"][start:end], sensor["place_h_by_day"][start:end])]
        return sum(both) / max(1, len(both))

    start, end = day(when(finding["start"])), day(when(finding["end"]) if finding["end"] else now)
    change = {
        s["id"]: mean(s, max(0, end - 4), end) - mean(s, max(0, start - 7), max(2, start)) for s in enclosure["sensors"]
    }
    others = [c for name, c in change.items() if name != finding["subject"]]
    net = change.get(finding["subject"], 0) - (sum(others) / len(others) if others else 0)
    said = bias_stated(finding) or finding["value"]
    moved = net * said["estimate"] > 0 and abs(net) >= WANDERED_PCT
    return moved, " ".join(f"{name} {c:+.1f}" for name, c in change.items())


def score_dates(tally, week, kind, measure, bounds, nights=False, on_found=None):
    """Findings of one kind, date by date (a night by the date on which it began), against the true measure."""
    low, high = bounds
    findings = week.mine + (week.after if nights else [])
    unjudged = week.answer["not_assessed"] + (week.later["not_assessed"] if nights else [])
    name = week.enclosure["enclosure"]
    beside = "beside a faulty sensor " if week.sensor_began else ""

    def date_of(finding):
        time = week.site.local(finding)
        return (time - timedelta(hours=12 if nights and time.hour < 12 else 0)).date().isoformat()

    said = {date_of(x): x for x in findings if x["kind"] == kind}
    for date, true in (week.nights if nights else week.days).items():
        value = measure(true)
        described = f"{value:.2f} {true} {week.condition and week.condition['kind']} {week.sensor_faults}"
        if value >= high:
            tally.count[f"{kind} there {beside}"] += 1
            if date in said:
                tally.count[f"{kind} found {beside}"] += 1
                if on_found:
                    on_found(tally, week, date, true, said[date])
            elif any(
                x["kind"] == kind and x["enclosure"] == name and ("start" not in x or date_of(x) == date)
                for x in unjudged
            ):
                tally.count[f"{kind} not assessed {beside}"] += 1
            else:
                week.note(tally, f"missed {kind}", described, "", time=date)
        elif date in said and value < low:
            tally.count[f"{kind} false {beside}"] += 1
            week.note(tally, f"false {kind}", described, said[date]["message"], time=date)


def score_overheating(tally, week, date, true_day, finding):
    """The stated degree-hours and cause of an overheating that is one."""
    true, said = true_day["degree_hours_above"], finding["value"]
    name = "degree-hours" if true < 5 else "degree-hours from 5 on"
    tally.value(name, abs(said["estimate"] / true - 1), said, true)
    expected = cause_of(week, when(finding["start"]))
    if expected == "unknown":
        return
    cause = finding.get("cause")
    tally.count["cause judged"] += 1
    tally.count["cause right"] += cause == expected
    tally.count["cause withheld"] += cause is None and expected is not None
    if cause != expected:
        true_cause = f"{expected} {week.condition and week.condition['kind']}"
        week.note(tally, "cause wrong", true_cause, f"{cause}: {finding['message']}", time=date)


def cause_of(week, start):
    """The true cause of an overheating; none where the program can't know it; "unknown" where there is no one cause."""
    fault, cause = week.condition, "unknown"
    if fault and when(fault["start"]) < start + timedelta(hours=24) and when(fault["end"]) > start - timedelta(hours=8):
        cause = CAUSE.get(fault["kind"], "unknown")
    if week.room_hot:
        return "room-heat" if cause == "unknown" else "unknown"
    cold_probe = any(f["kind"] in ("dislodged", "temperature-bias") and f["size"] <= 0 for f in week.sensor_faults)
    return "heater" if cold_probe and week.sensor_began else cause


def score_conditions(tally, week):
    """Days and nights by true values."""
    low_night, high_night = week.enclosure["limits"]["night"]

    def below(day):
        hours = day["degree_hours_below"]
        return hours if hours >= DEGREE_HOURS[1] or day["degree_hours_below_cool_place"] < DEGREE_HOURS[0] else 0.3

    def dry(day):
        return day["dry_h"] if day["dry_h"] >= HUMIDITY_H[1] else min(day["dry_h_loose"], 1)

    def wet(day):
        return day["wet_h"] if day["wet_h"] >= HUMIDITY_H[1] else min(day["wet_h_loose"], 1)

    def above(day):
        return day["degree_hours_above"]

    score_dates(tally, week, "overheating", above, DEGREE_HOURS, on_found=score_overheating)
    score_dates(tally, week, "overcooling", below, DEGREE_HOURS)
    score_dates(tally, week, "night-too-warm", lambda night: night["mean"] - high_night, NIGHT_K, nights=True)
    score_dates(tally, week, "night-too-cold", lambda night: low_night - night["mean"], NIGHT_K, nights=True)
    score_dates(tally, week, "humidity-too-low", dry, HUMIDITY_H)
    score_dates(tally, week, "humidity-too-high", wet, HUMIDITY_H)


def missed_runs(week):
    """The runs of the week, how many were missed, and how many of which that can't be known (power cut, outage).

    From an earlier time on where a row that is told began before the week.
    """
    first = min([week.start, *(when(x["start"]) for x in week.mine if x["kind"] == "mist-missed")])
    runs = [r for r in week.enclosure["runs"] if first <= when(r["at"]) < week.end]
    missed = [r for r in runs if not r["happened"]]
    known = sum(not r["power_cut"] and r["seen"] for r in missed)
    return len(runs), known, len(missed) - known


def score_mistings(tally, week):
    """Missed mistings, and the half-life of vapour that a weak misting states."""
    count, true, either = missed_runs(week)
    said = sum(x["value"]["estimate"] for x in week.mine if x["kind"] == "mist-missed")
    tally.count["runs missed, true"] += true
    tally.count["runs missed, said"] += said
    tally.count["runs missed, right"] += min(said, true + either)
    tally.count["runs missed, found"] += min(said, true)
    if abs(said - true) > either and (said or true):
        instead = "" if said else " " + "; ".join(x["kind"] + " " + x["message"] for x in week.mine)[:200]
        described = f"{true} true (+{either} in power cuts or outages) of {count}"
        week.note(tally, "missed runs", described, f"{said:g} said" + instead)
    in_fault = "_in_fault" if week.condition_began else ""
    true_min = week.enclosure[f"misting_half_fall{in_fault}_min"]
    for x in week.mine:
        half = [v for v in x.get("also") or [] if "half" in v["name"]] if x["kind"] == "mist-weak" else []
        if half and true_min:
            tally.values["half-life ratio"].append((abs(half[0]["estimate"] / true_min - 1), None))


def score_healthy_conditions(tally, week):
    """Findings about conditions where all is well."""
    if week.condition_began or week.sensor_began or week.room_hot:
        return
    tally.count["healthy enclosure-weeks"] += 1
    of_states = ("light-hours-wrong", "heater-stuck-on", "mist-missed")
    for x in week.mine:
        kind = x["kind"]
        if week.of_sensor(x) or kind == "care-overdue" or so_in_truth(week, x):
            continue
        lost = kind in of_states and week.site.in_outage(x, week.span[1], near=timedelta(hours=30))
        tally.count["false condition findings"] += 1
        tally.false_kinds["condition"][kind + (" by a state lost in an outage" if lost else "")] += 1
        true = f"well; hand={week.enclosure['by_hand']} {[c['kind'] for c in week.enclosure['changes']]}"
        week.note(tally, "false condition", true, f"{kind} {x['subject']} from {x['start'][:16]}: {x['message']}")


def so_in_truth(week, finding):
    """Whether a finding is true although no fault was planted, since also what is well may pass a limit.

    The benefit of the doubt is the program's.
    """
    kind, time, days = finding["kind"], week.site.local(finding), week.days.values()
    day = week.days.get(time.date().isoformat(), {})
    night = week.nights.get((time - timedelta(hours=12)).date().isoformat())
    low_night, high_night = week.enclosure["limits"]["night"]
    if kind == "overheating":
        return day.get("degree_hours_above", 1) >= DEGREE_HOURS[0]
    if kind == "overcooling":
        return day.get("degree_hours_below_cool_place", 1) >= DEGREE_HOURS[0]
    if kind == "night-too-warm":
        return night is None or night["mean"] > high_night + NIGHT_K[0]
    if kind == "night-too-cold":
        return night is None or night["mean"] < low_night - NIGHT_K[0]
    if kind == "humidity-too-low":
        return day.get("dry_h_loose", 9) >= HUMIDITY_H[0]
    if kind == "humidity-too-high":
        return day.get("wet_h_loose", 9) >= HUMIDITY_H[0]
    if kind == "light-hours-wrong":
        return any(abs(d["lit_minutes"] - d["asked_minutes"]) > LIGHT_OFF_MIN for d in days)
    if kind == "mist-missed":
        return sum(missed_runs(week)[1:]) > 0
    if kind == "stays-wet":
        return max(d["saturated_h"] for d in days) >= SATURATED_H
    if kind == "setpoint-missed" and week.enclosure["set_rh"]:
        return abs(sum(d["mean_humidity"] for d in days) / len(days) - week.enclosure["set_rh"]) >= SETPOINT_OFF_PCT
    if kind == "no-night-drop":
        return min(d["drop"] for d in week.nights.values()) < NIGHT_DROP_K
    return False


def score_site(tally, site):
    for enclosure, sensor, fault in faults_of(site.truth):
        score_fault(tally, site, enclosure, sensor, fault)
    answers = [site.answers["|".join(span)] for span in site.weeks] + [{"findings": [], "not_assessed": []}]
    for span, answer, later in zip(site.weeks, answers, answers[1:]):
        for enclosure in site.truth["enclosures"]:
            week = Week(site, enclosure, span, answer, later)
            score_healthy_sensors(tally, week)
            score_conditions(tally, week)
            score_mistings(tally, week)
            score_healthy_conditions(tally, week)


def share(part, whole):
    return f"{part}/{whole}" + (f" {100 * part / whole:.0f} %" if whole else "")


def show_faults(tally, group):
    heads = "".join(f"{days} d".rjust(13) for days in DELAYS)
    said_otherwise = group == "condition"
    print(f"{'fault (' + group + ')':36}{'faults':>7}{'weeks':>16}{heads}" + "   else said (weeks)" * said_otherwise)
    for name, counts in sorted(tally.faults[group].items()):
        cells = "".join(cell(counts, f"{days} d").rjust(13) for days in DELAYS)
        line = f"{name:36}{counts['faults']:>7}{cell(counts, 'week'):>16}{cells}"
        print(line + f"   {counts['otherwise week']}" * said_otherwise)
    print()


def cell(counts, moment):
    found, there, pair, unjudged = (counts[f"{what} {moment}"] for what in ("found", "there", "pair", "not assessed"))
    if not there:
        return "."
    return f"{found}/{there}" + (f" u{pair}" if pair else "") + (f" n{unjudged}" if unjudged else "")


def show_values(tally):
    for name, values in sorted(tally.values.items()):
        held = [holds for _, holds in values if holds is not None]
        relative = " (relative)" if name.startswith(("degree", "half")) else ""
        line = f"{name}: {len(values)} statements, median error {median(error for error, _ in values):.2f}{relative}"
        line += f", 95 % interval holds the truth {share(sum(held), len(held))}"
        if name.startswith("degree"):
            line += f", within 10 %: {share(sum(error <= 0.1 for error, _ in values), len(values))}"
        print(line)
    print()


def show_false(tally):
    count = tally.count

    def rate(what, false, weeks, kinds):
        print(f"{false} in {weeks} healthy {what}-weeks ({100 * false / max(1, weeks):.2f} a hundred); {dict(kinds)}")

    for noise, words in (("quiet", "white noise only"), ("wander", "a slow wander too")):
        kinds = tally.false_kinds[f"sensor {noise}"]
        print(f"false sensor findings, sites with {words}: ", end="")
        rate("sensor", sum(kinds.values()), count[f"healthy sensor-weeks {noise}"], kinds)
    print(f"silences that an outage explains: {count['silences that an outage explains']}")
    print(
        f"beside a fault: wrong blame of a companion {count['wrong blame of a companion']}, companion named but said "
        f"to be undecided {count['companion named, said to be undecided']}, right sensor by another name "
        f"{count['right sensor, another name']}, in {count['weeks with a faulty sensor']} weeks"
    )
    print("false condition findings: ", end="")
    rate(
        "enclosure",
        count["false condition findings"],
        count["healthy enclosure-weeks"],
        tally.false_kinds["condition"],
    )
    print()


def show_conditions(tally):
    count = tally.count
    kinds = ("overheating", "overcooling", "night-too-warm", "night-too-cold", "humidity-too-low", "humidity-too-high")
    for kind in kinds:
        for beside in ("", "beside a faulty sensor "):
            found, there, false, unjudged = (
                count[f"{kind} {what} {beside}"] for what in ("found", "there", "false", "not assessed")
            )
            if there or false:
                recall = f"recall {share(found, there)} (not assessed {unjudged})"
                print(f"{kind} {beside}".ljust(44) + f"{recall}, precision {share(found, found + false)}")
    right, judged, withheld = count["cause right"], count["cause judged"], count["cause withheld"]
    print(f"cause of overheating right: {share(right, judged)}, not told {withheld}")
    found, true, right, said = (int(count[f"runs missed, {what}"]) for what in ("found", "true", "right", "said"))
    print(f"missed runs: recall {share(found, true)}, precision {share(right, said)}")


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--program", required=True)
    arguments.add_argument("--jobs", type=int, default=2, choices=(1, 2))
    arguments.add_argument("--list", action="store_true", help="name every miss and every false finding")
    arguments.add_argument("sites", nargs="+")
    options = arguments.parse_args()
    tally = Tally()
    program = os.path.abspath(options.program)
    with ProcessPoolExecutor(options.jobs) as pool:
        for answered in pool.map(ask, [(site, program) for site in options.sites]):
            score_site(tally, Answers(*answered))
    print(
        f"{len(options.sites)} sites, judged week by week; only what was known by then. found/there; of those not "
        "found: u = named, or its companion was, as a pair that can't be told apart; n = listed as not assessed.\n"
    )
    show_faults(tally, "sensor")
    show_faults(tally, "condition")
    show_values(tally)
    show_false(tally)
    show_conditions(tally)
    if options.list:
        print()
        for row in tally.list:
            print(" | ".join(str(x) for x in row))


if __name__ == "__main__":
    main()
