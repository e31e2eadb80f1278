#!/usr/bin/env python3
"""Plays recorded messages to a broker, or to mosswarden itself: replay.py messages.jsonl [HOST [PORT]]. Needs paho-mqtt 2."""

import json
import sys

import paho.mqtt.client as mqtt

file = sys.argv[1]
host = sys.argv[2] if len(sys.argv) > 2 else "127.0.0.1"
port = int(sys.argv[3]) if len(sys.argv) > 3 else 1883
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="replay")
client.connect(host, port)
client.loop_start()
with open(file, encoding="utf-8") as lines:
    messages = [json.loads(line) for line in lines]
sent = [client.publish(message["topic"], message["payload"], qos=1) for message in messages]
for message in sent:
    message.wait_for_publish(60)
client.disconnect()
client.loop_stop()
print(f"{len(sent)} messages sent and acknowledged")
