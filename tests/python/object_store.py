"""An S3-compatible object store in memory, on loopback or at ADDRESS: the server of moto (PyPI, Apache-2.0), which takes any key.

object_store.py PORT BUCKET OUTAGE [ADDRESS]

Makes the bucket, says `ready`, and serves until it is killed. While the file OUTAGE is there, every request is answered with 503.
"""

import logging
import os
import sys
import threading
import time

import boto3
from moto.moto_server.werkzeug_app import DomainDispatcherApplication, MotoRequestHandler, create_backend_app
from werkzeug.serving import make_server
from werkzeug.wrappers import Response

logging.getLogger("werkzeug").setLevel(logging.ERROR)  # a line for each request otherwise
port, bucket, outage = int(sys.argv[1]), sys.argv[2], sys.argv[3]
address = sys.argv[4] if len(sys.argv) > 4 else "127.0.0.1"
store = DomainDispatcherApplication(create_backend_app)


def serve(environ, start_response):
    if os.path.exists(outage):
        return Response("out of order", status=503)(environ, start_response)
    return store(environ, start_response)


server = make_server(address, port, serve, threaded=True, request_handler=MotoRequestHandler)
threading.Thread(target=server.serve_forever, daemon=True).start()
client = boto3.client(
    "s3",
    endpoint_url=f"http://127.0.0.1:{port}",
    aws_access_key_id="test",
    aws_secret_access_key="test",
    region_name="us-east-1",
)
client.create_bucket(Bucket=bucket)
print("ready", flush=True)
while True:
    time.sleep(3600)
