"""Reads an iCalendar file with the package icalendar, an independent parser; prints its events as JSON."""

import datetime
import json
import sys
from zoneinfo import ZoneInfo

import icalendar

with open(sys.argv[1], "rb") as file:
    content = file.read()
assert b"\r\n" in content and b"\n" not in content.replace(b"\r\n", b""), "lines end with CR LF (RFC 5545, 3.1)"
assert max(len(line) for line in content.split(b"\r\n")) <= 75, "lines are folded at 75 octets (RFC 5545, 3.1)"
calendar = icalendar.Calendar.from_ical(content)
assert calendar["VERSION"] == "2.0" and calendar["PRODID"]
today = datetime.datetime.now(ZoneInfo("Europe/Lisbon")).date()
events = []
for event in calendar.walk("VEVENT"):
    assert not event.errors, event.errors
    start = event["DTSTART"].dt
    assert event["DTSTAMP"].dt.tzinfo is not None
    rule = event["RRULE"]
    assert rule["FREQ"] == ["DAILY"], rule
    events.append(
        {
            "uid": str(event["UID"]),
            "summary": str(event["SUMMARY"]),
            "description": str(event["DESCRIPTION"]),
            "start": start.isoformat(),
            "today": today.isoformat(),
            "is_all_day": type(start) is datetime.date,
            "interval": rule["INTERVAL"][0],
        }
    )
json.dump(events, sys.stdout)
