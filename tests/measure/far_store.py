"""An archive in a bucket that is far away: two hosts with a line between them that delays, loses packets and goes dead. As root, on Linux:

    target/python/bin/python tests/measure/far_store.py target/release/mosswarden [DELAY_MS] [LOSS_PERCENT] [READINGS]

The hosts are network namespaces, the line two TUN devices with this program between them, so that each host's own TCP meets real delay
(each way) and real loss. The store is moto's server on the one, `collect` on the other; a device there sends numbered readings while the
collector is killed three times and the line is dead for half a minute. In the end each reading must stand in the bucket exactly once.
"""

import fcntl
import heapq
import json
import os
import random
import select
import struct
import subprocess
import sys
import tempfile
import threading
import time

program = os.path.abspath(sys.argv[1])
delay_s = float(sys.argv[2] if len(sys.argv) > 2 else 40) / 1000
loss = float(sys.argv[3] if len(sys.argv) > 3 else 2) / 100
READINGS = int(sys.argv[4]) if len(sys.argv) > 4 else 6000
ROOM, FAR, STORE_PORT, DEVICE_PORT = "mw-room", "mw-far", 9000, 1883
ADDRESS = {ROOM: "10.77.0.1", FAR: "10.77.0.2"}
BEGAN_MS = 1_774_000_000_000
here = os.path.dirname(os.path.abspath(__file__))
key = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_REGION": "us-east-1"}
place = {"AWS_ENDPOINT_URL": f"http://{ADDRESS[FAR]}:{STORE_PORT}", "AWS_ALLOW_HTTP": "true"}
SITE = f"""[site]
name = "far store"
timezone = "UTC"
data_dir = "s3://rooms/far"
[broker]
url = "builtin"
listen = "127.0.0.1:{DEVICE_PORT}"
[collect]
publish_every = "1s"
[page]
listen = "off"
[[enclosure]]
id = "e"
species = "mossy-frog"
day = {{ start = "08:00", end = "20:00" }}
[[enclosure.sensor]]
id = "e-s"
feeds = [ {{ topic = "room/e-s", pointer = "/t", quantity = "temperature", unit = "Cel", time_pointer = "/at" }} ]
"""


def run(*command):
    subprocess.run(command, check=True)


class Line:
    """Carries packets between the two hosts, late, and not all of them."""

    def __init__(self):
        self.is_dead, self.carried_bytes, self.packets, self.lost = False, 0, 0, 0
        self.ends = {host: self._end(host) for host in ADDRESS}
        threading.Thread(target=self._carry, daemon=True).start()

    @staticmethod
    def _end(host):
        other = next(address for name, address in ADDRESS.items() if name != host)
        tun_interface, no_header = 0x0001, 0x1000  # linux/if_tun.h: IFF_TUN, IFF_NO_PI
        set_interface = 0x400454CA  # TUNSETIFF
        end = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
        fcntl.ioctl(end, set_interface, struct.pack("16sH", host.encode(), tun_interface | no_header))
        run("ip", "link", "set", host, "netns", host)
        inside = ("ip", "-n", host)
        run(*inside, "address", "add", ADDRESS[host], "peer", other, "dev", host)
        run(*inside, "link", "set", host, "up")
        run(*inside, "link", "set", "lo", "up")
        return end

    def _carry(self):
        dice, waiting, number = random.Random(1), [], 0
        ends = list(self.ends.values())
        while True:
            until_next_s = max(0.0, waiting[0][0] - time.monotonic()) if waiting else 1.0
            for end in select.select(ends, [], [], until_next_s)[0]:
                packet = os.read(end, 65_535)
                self.packets += 1
                if self.is_dead or dice.random() < loss:
                    self.lost += 1
                    continue
                number += 1
                heapq.heappush(waiting, (time.monotonic() + delay_s, number, ends[1 - ends.index(end)], packet))
            while waiting and waiting[0][0] <= time.monotonic():
                _, _, end, packet = heapq.heappop(waiting)
                os.write(end, packet)
                self.carried_bytes += len(packet)


def inside(host, *command, **options):
    return subprocess.Popen(["ip", "netns", "exec", host, *command], **options)


def at(number):
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime((BEGAN_MS + number * 1000) / 1000)) + "Z"


def stored():
    """Rows of the bucket, asked on the store's own host."""
    script = os.path.join(here, "../python/stored_rows.py")
    asked = inside(FAR, sys.executable, script, "rooms/far/readings", f"127.0.0.1:{STORE_PORT}", stdout=subprocess.PIPE, text=True)
    return asked.communicate()[0].split()


def folders():
    """Names of the folders in `readings` that hold files."""
    script = (
        "from pyarrow import fs; import sys\n"
        "store = fs.S3FileSystem(scheme='http', endpoint_override=sys.argv[1])\n"
        "found = store.get_file_info(fs.FileSelector('rooms/far/readings', recursive=True))\n"
        "print(*{file.path.split('/')[3] for file in found if file.is_file})"
    )
    asked = inside(FAR, sys.executable, "-c", script, f"127.0.0.1:{STORE_PORT}", env={**os.environ, **key}, stdout=subprocess.PIPE, text=True)
    return set(asked.communicate()[0].split())


def wait_for(what, is_so, within_s=900):
    began = time.monotonic()
    while not is_so():
        if time.monotonic() - began > within_s:
            sys.exit(f"{what}: not within {within_s} s")
        time.sleep(1)
    return time.monotonic() - began


for host in ADDRESS:
    run("ip", "netns", "add", host)
started = []
try:
    line = Line()
    with tempfile.TemporaryDirectory() as home:
        messages = os.path.join(home, "messages.jsonl")
        with open(messages, "w", encoding="utf-8") as out:
            for number in range(READINGS):
                payload = json.dumps({"at": at(number), "t": 20 + number % 100 / 10})
                print(json.dumps({"topic": "room/e-s", "payload": payload}), file=out)
        site = os.path.join(home, "site.toml")
        with open(site, "w", encoding="utf-8") as out:
            out.write(SITE)
        server = os.path.join(here, "../python/object_store.py")
        store = inside(FAR, sys.executable, server, str(STORE_PORT), "rooms", os.path.join(home, "outage"), "0.0.0.0", stdout=subprocess.PIPE, text=True)
        started.append(store)
        assert store.stdout.readline() == "ready\n"

        log = open(os.path.join(home, "log"), "w", encoding="utf-8")

        def collect():
            process = inside(ROOM, program, "collect", "--site", site, env={**os.environ, **key, **place}, stderr=log)
            started.append(process)
            return process

        collector = collect()
        time.sleep(3)
        publish = os.path.join(here, "../python/publish.py")
        began = time.monotonic()
        device = inside(ROOM, sys.executable, publish, str(DEVICE_PORT), "5", "1", "device", messages, "0.01", stdout=subprocess.DEVNULL)
        started.append(device)
        for _ in range(3):
            time.sleep(READINGS * 0.01 / 8)
            collector.kill()
            collector.wait()
            collector = collect()
        line.is_dead = True
        time.sleep(30)
        line.is_dead = False
        back = time.monotonic()
        assert device.wait() == 0, "the device has its acknowledgements"
        acknowledged_s = time.monotonic() - began
        wait_for("all in the bucket", lambda: len(stored()) >= READINGS)
        caught_up_s = time.monotonic() - max(back, began + acknowledged_s)
        # A start tidies: the month is long over.
        collector.terminate()
        collector.wait()
        collector = collect()
        wait_for("days and parts are one month", lambda: folders() == {"month=2026-03"})
        collector.terminate()
        collector.wait()
        rows = stored()
        expected = sorted(f"{at(number)[:-1]}.000Z,e-s,temperature,{20 + number % 100 / 10!r},ok,device" for number in range(READINGS))
        lost, doubled = len(set(expected) - set(rows)), len(rows) - len(set(rows))
        asked = time.monotonic()
        export = inside(ROOM, program, "export", "--site", site, "--from", "2026-03-01", "--to", "2026-04-01", env={**os.environ, **key, **place}, stdout=subprocess.PIPE, text=True)
        exported = len(export.communicate()[0].splitlines()) - 1
        print(f"{delay_s * 1000:.0f} ms each way, {loss * 100:g} % of packets lost, three kills, the line dead for 30 s")
        print(f"{READINGS} readings acknowledged in {acknowledged_s:.0f} s, all in the bucket {caught_up_s:.0f} s later: {lost} lost, {doubled} doubled, {len(rows)} rows")
        print(f"exported across the line: {exported}, in {time.monotonic() - asked:.1f} s")
        print(f"the line carried {line.carried_bytes / 1e6:.1f} MB; {line.lost} of {line.packets} packets were lost")
        sys.exit(0 if lost == doubled == 0 and exported == READINGS else 1)
finally:
    for process in started:
        process.kill()
    for host in ADDRESS:
        subprocess.run(["ip", "netns", "delete", host], check=False)
