"""The usual short script: paho-mqtt in, pyarrow out, nothing made durable before it is acknowledged. For comparison only.

naive_logger.py PORT COUNT FOLDER: takes COUNT queued messages as the client `naive` (session kept) and writes them as Parquet files of
5,000 rows; prints the seconds from the connection to the last file. With COUNT 0 it only makes its session known.
"""

import json
import sys
import threading
import time

import paho.mqtt.client as mqtt
import pyarrow as pa
import pyarrow.parquet as pq
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

port, count, folder = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
TOPICS = [("nature-room/mossy-1/low/humidity", 1), ("nature-room/mossy-1/stat", 1)]
ROWS_PER_FILE = 5000
rows, files, seen = [], 0, 0
started = 0.0
done = threading.Event()


def write():
    global rows, files
    table = pa.table({name: [row[index] for row in rows] for index, name in enumerate(["at", "topic", "value"])})
    pq.write_table(table, f"{folder}/part-{files}.parquet", compression="zstd")
    rows, files = [], files + 1


def on_connect(client, userdata, flags, reason, properties):
    client.subscribe(TOPICS)


def on_subscribe(client, userdata, packet, reasons, properties):
    if count == 0:
        done.set()


def on_message(client, userdata, message):
    global seen
    if message.topic.endswith("/stat"):
        payload = json.loads(message.payload)
        rows.append((payload["at"], message.topic, payload["humidity"]))
    else:
        rows.append((time.time(), message.topic, float(message.payload)))
    seen += 1
    if len(rows) >= ROWS_PER_FILE or seen == count:
        write()
    if seen == count:
        done.set()


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="naive", protocol=mqtt.MQTTv5)
client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
properties = Properties(PacketTypes.CONNECT)
properties.SessionExpiryInterval = 3600
properties.ReceiveMaximum = 2000
started = time.monotonic()
client.connect("127.0.0.1", port, clean_start=False, properties=properties)
client.loop_start()
finished = done.wait(300)
took = time.monotonic() - started
client.disconnect()
client.loop_stop()
print(f"{took:.3f}")
sys.exit(0 if finished else 1)
