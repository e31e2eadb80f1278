"""Publishes messages by paho-mqtt as one device that does not give up: a session that outlives connections, reconnecting.

publish.py PORT PROTOCOL(4|5) QOS CLIENT FILE [PAUSE_S]

FILE holds one JSON object a line with `topic` and `payload`. Ends when the other side has acknowledged every message (QoS 1 and 2) or
taken it (QoS 0), and prints how many those were.
"""

import json
import sys
import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

port, protocol, qos, name, file = int(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), sys.argv[4], sys.argv[5]
pause_s = float(sys.argv[6]) if len(sys.argv) > 6 else 0.0
with open(file, encoding="utf-8") as lines:
    messages = [json.loads(line) for line in lines]

acknowledged = set()
connected = threading.Event()
done = threading.Event()


def on_connect(client, userdata, flags, reason, properties):
    if reason.is_failure:
        print(f"refused: {reason}", file=sys.stderr)
        return
    connected.set()


def on_publish(client, userdata, packet, reason, properties):
    if reason is not None and getattr(reason, "is_failure", False):
        print(f"message {packet} refused: {reason}", file=sys.stderr)
        return
    acknowledged.add(packet)
    if len(acknowledged) == len(messages):
        done.set()


options = {"clean_session": False} if protocol == mqtt.MQTTv311 else {}
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=protocol, **options)
client.on_connect = on_connect
client.on_publish = on_publish
client.reconnect_delay_set(1, 1)
client.max_queued_messages_set(0)
client.max_inflight_messages_set(200)
if protocol == mqtt.MQTTv5:
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
else:
    client.connect("127.0.0.1", port)
client.loop_start()
if not connected.wait(60):
    sys.exit("no connection")
for message in messages:
    client.publish(message["topic"], message["payload"], qos=qos)
    if pause_s:
        time.sleep(pause_s)
finished = done.wait(300)
client.disconnect()
client.loop_stop()
print(len(acknowledged))
sys.exit(0 if finished else 1)
