"""What a memory card gets to write: `collect` on a file system of its own, 60 sensors a minute, counted at the device. As root, on Linux:

    target/python/bin/python tests/measure/card.py target/release/mosswarden [SECONDS] [COMMIT_EVERY]

Makes an ext4 in a temporary file, mounts it by a loop device, and reads that device's own counters (sectors written, /sys/block/…/stat).
"""

import os
import subprocess
import sys
import tempfile
import time

import paho.mqtt.client as mqtt

program = os.path.abspath(sys.argv[1])
seconds = int(sys.argv[2]) if len(sys.argv) > 2 else 300
commit_every = sys.argv[3] if len(sys.argv) > 3 else "2s"
SENSORS, PORT, SECTOR_BYTES = 60, 18999, 512


def site(data_dir):
    yield f'[site]\nname = "card"\ntimezone = "UTC"\ndata_dir = "{data_dir}"\n'
    yield f'[broker]\nurl = "builtin"\nlisten = "127.0.0.1:{PORT}"\n'
    yield f'[collect]\ncommit_every = "{commit_every}"\n[page]\nlisten = "off"\n'
    yield '[[enclosure]]\nid = "e"\nspecies = "mossy-frog"\nday = { start = "08:00", end = "20:00" }\n'
    for number in range(SENSORS):
        feeds = ", ".join(
            f'{{ topic = "room/e-s{number}", pointer = "/{pointer}", quantity = "{quantity}", unit = "{unit}" }}'
            for pointer, quantity, unit in (("t", "temperature", "Cel"), ("rh", "humidity", "%RH"))
        )
        yield f'[[enclosure.sensor]]\nid = "e-s{number}"\nfeeds = [ {feeds} ]\n'


with tempfile.TemporaryDirectory() as home:
    image, card, file = (os.path.join(home, name) for name in ("image", "card", "site.toml"))
    with open(image, "wb") as empty:
        empty.truncate(512 * 1024 * 1024)
    os.mkdir(card)
    subprocess.run(["mkfs.ext4", "-q", image], check=True)
    subprocess.run(["mount", "-o", "loop", image, card], check=True)
    try:
        device = os.path.basename(subprocess.check_output(["findmnt", "-n", "-o", "SOURCE", card], text=True).strip())
        with open(file, "w", encoding="utf-8") as out:
            out.writelines(site(os.path.join(card, "data")))

        def written_bytes():
            subprocess.run(["sync", "-f", card], check=True)
            with open(f"/sys/block/{device}/stat", encoding="utf-8") as counters:
                return int(counters.read().split()[6]) * SECTOR_BYTES

        collector = subprocess.Popen([program, "collect", "--site", file], stderr=subprocess.DEVNULL)
        time.sleep(3)
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="devices")
        client.connect("127.0.0.1", PORT)
        client.loop_start()
        before, began, sent = written_bytes(), time.time(), 0
        while time.time() - began < seconds:
            number = sent % SENSORS
            client.publish(f"room/e-s{number}", f'{{"t": {22 + number / 50:.2f}, "rh": {80 - number / 20:.1f}}}', qos=1)
            sent += 1
            time.sleep(max(0.0, began + sent * 60 / SENSORS - time.time()))
        written = written_bytes() - before
        client.loop_stop()
        collector.terminate()
        collector.wait()
        print(f"commit_every {commit_every}: {2 * sent} readings, {written / 2 / sent:.0f} bytes at the device for each")
        print(f"a day: {written / seconds * 86_400 / 1e9:.2f} GB")
    finally:
        subprocess.run(["umount", card], check=True)
