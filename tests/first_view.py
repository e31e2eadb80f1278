"""How heavy and how fast the page's first view is with 20 enclosures; a measurement, not a test.

    python3 tests/first_view.py target/release/mosswarden

Writes an invented room of 20 enclosures with two weeks of readings up to now into a temporary folder, takes it in by `import`, starts
`collect`, waits until the room is judged, and asks for each view two hundred times over one connection: first at rest, then while a device
sends 1,000 readings a second. Standard library only.
"""

import datetime
import http.client
import math
import pathlib
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time

ENCLOSURES = 20
DAYS = 14
STEP_MIN = 5
ASKED = 200
MESSAGES_PER_S = 500  # of two readings each


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def site(page, broker):
    parts = [
        f"""# Invented data
[site]
name = "Harbour Street nature room"
timezone = "Europe/Lisbon"
[broker]
url = "builtin"
listen = "127.0.0.1:{broker}"
[page]
listen = "127.0.0.1:{page}"
"""
    ]
    for number in range(1, ENCLOSURES + 1):
        parts.append(f'[[enclosure]]\nid = "box-{number}"\nlabel = "Mossy frogs, tank {number}"\nspecies = "mossy-frog"\nanimals = 3\n')
        for role in ("controller", "reference"):
            sensor = f"box-{number}-{role}"
            parts.append(
                f'[[enclosure.sensor]]\nid = "{sensor}"\nrole = "{role}"\nfeeds = [\n'
                f'  {{ topic = "room/{sensor}", pointer = "/t", quantity = "temperature", unit = "Cel" }},\n'
                f'  {{ topic = "room/{sensor}", pointer = "/rh", quantity = "humidity", unit = "%RH" }},\n]\n'
            )
    return "".join(parts)


def readings(file):
    now = datetime.datetime.now(datetime.timezone.utc).replace(second=0, microsecond=0)
    steps = DAYS * 24 * 60 // STEP_MIN
    with open(file, "w") as out:
        out.write("time,enclosure,sensor,quantity,value,unit\n")
        for step in range(steps, -1, -1):
            at = now - datetime.timedelta(minutes=STEP_MIN * step)
            stamp = at.strftime("%Y-%m-%dT%H:%M:%SZ")
            day = math.sin(2 * math.pi * (at.hour + at.minute / 60 - 9) / 24)
            for number in range(1, ENCLOSURES + 1):
                for role, offset in (("controller", 0.0), ("reference", 0.3)):
                    noise = math.sin(step * 12.9898 + number * 78.233 + offset) * 0.1
                    sensor = f"box-{number}-{role}"
                    out.write(f"{stamp},box-{number},{sensor},temperature,{21 + 2 * day + noise + offset:.2f},Cel\n")
                    out.write(f"{stamp},box-{number},{sensor},humidity,{85 - 5 * day + 3 * noise:.2f},%RH\n")


def mqtt_text(text):
    return len(text).to_bytes(2, "big") + text.encode()


def send_until(stop, port):
    """A device that sends at a steady pace at QoS 0, by MQTT 3.1.1 [OASIS]: packets short enough for a length of one byte."""
    hello = mqtt_text("MQTT") + bytes([4, 2, 0, 60]) + mqtt_text("busy")
    with socket.create_connection(("127.0.0.1", port)) as line:
        line.sendall(bytes([0x10, len(hello)]) + hello)
        number, begun = 0, time.monotonic()
        while not stop.is_set():
            packets = b""
            while number < (time.monotonic() - begun) * MESSAGES_PER_S:
                topic = mqtt_text(f"room/box-{number % ENCLOSURES + 1}-reference")
                body = topic + b'{"t": %.2f, "rh": %.1f}' % (21 + number % 100 / 100, 80 + number % 50 / 10)
                packets += bytes([0x30, len(body)]) + body
                number += 1
            line.sendall(packets)
            time.sleep(0.02)
        print(f"({number} messages in {time.monotonic() - begun:.0f} s)")


def ask_each_view(connection):
    for view in ("/", "/enclosure/box-1", "/changes", "/care", "/findings", "/journal"):
        took, size = [], 0
        for _ in range(ASKED):
            begun = time.perf_counter()
            connection.request("GET", view)
            answer = connection.getresponse()
            body = answer.read()
            took.append((time.perf_counter() - begun) * 1000)
            assert answer.status == 200, (view, answer.status)
            size = len(body)
        took.sort()
        of_hundred = took[ASKED * 99 // 100 - 1]
        print(
            f"{view}: {size / 1000:.1f} kB, median {statistics.median(took):.1f} ms, 99 in 100 within {of_hundred:.1f} ms, slowest {took[-1]:.1f} ms"
        )


def main():
    program = str(pathlib.Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as folder:
        home = pathlib.Path(folder)
        port = free_port()
        broker = free_port()
        (home / "site.toml").write_text(site(port, broker))
        readings(home / "readings.csv")
        subprocess.run([program, "import", "readings.csv"], cwd=home, check=True, stdout=subprocess.DEVNULL)
        started = time.monotonic()
        with open(home / "log", "w") as log:
            collector = subprocess.Popen([program, "collect"], cwd=home, stderr=log)
        try:
            connection = None
            while True:
                try:
                    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
                    connection.request("GET", "/findings")
                    if b"Not judged yet" not in connection.getresponse().read():
                        break
                except OSError:
                    pass
                time.sleep(0.1)
            print(f"judged {time.monotonic() - started:.1f} s after the start")
            print("at rest:")
            ask_each_view(connection)
            stop = threading.Event()
            device = threading.Thread(target=send_until, args=(stop, broker))
            device.start()
            time.sleep(2)
            print(f"while {2 * MESSAGES_PER_S} readings a second come in:")
            ask_each_view(connection)
            stop.set()
            device.join()
        finally:
            collector.terminate()
            collector.wait()


main()
