"""An open recording of several sensors as tidy CSV: `several_sensors.py FILE` writes it.

Three sensors in the instrument box of a field station and one in the air outside, temperature and humidity every 15 minutes from 2016-12-31 to
2018-01-12 with one gap of 105 days: example data of the PyPI package neptoon 0.13.0 (MIT, Daniel Power and Martin Schroen),
interface/example_data/CRNS-station_data-Hydroinnova-A.zip. No value is changed. Which sensor hangs where follows from the columns' names.
"""

import csv
import sys
import zipfile
from datetime import datetime
from importlib.metadata import distribution

SENSORS = {
    ("box", "module-1"): ("N1T_C", "N1RH"),
    ("box", "module-2"): ("N2T_C", "N2RH"),
    ("box", "logger"): ("T1_C", "RH1"),
    ("room", "outside"): ("T_CS215", "RH_CS215"),
}


def lines():
    files = distribution("neptoon").files or []
    found = next(file for file in files if file.name == "CRNS-station_data-Hydroinnova-A.zip")
    with zipfile.ZipFile(found.locate()) as daily:
        for name in sorted(daily.namelist()):
            columns = []
            for line in daily.read(name).decode("cp850").splitlines():
                cells = [cell.strip() for cell in line.strip().removeprefix("//").split(",")]
                if cells[0] == "RecordNum":
                    columns = cells
                elif cells[0].isdigit():
                    yield dict(zip(columns, cells))


with open(sys.argv[1], "w", encoding="utf-8", newline="") as out:
    tidy = csv.writer(out, lineterminator="\n")
    tidy.writerow(["time", "enclosure", "sensor", "quantity", "value", "unit"])
    for line in lines():
        time = datetime.strptime(line["Date Time(UTC)"], "%Y/%m/%d %H:%M:%S").strftime("%Y-%m-%dT%H:%M:%SZ")
        for (enclosure, sensor), (temperature, humidity) in SENSORS.items():
            tidy.writerow([time, enclosure, sensor, "temperature", line[temperature], "Cel"])
            tidy.writerow([time, enclosure, sensor, "humidity", line[humidity], "%RH"])
