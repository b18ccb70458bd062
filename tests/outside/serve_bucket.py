"""Serves a bucket on loopback with PyPI moto: `serve_bucket.py BUCKET`. Prints the port. For each line of standard input, a
key, begins an upload in parts under it, puts one part of 1000 bytes, leaves it so, and prints `begun`. Ends with its input."""

import logging
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import boto3  # noqa: E402
from moto.server import ThreadedMotoServer  # noqa: E402

logging.getLogger("werkzeug").setLevel(logging.ERROR)
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
host, port = server.get_host_and_port()
client = boto3.client(
    "s3",
    endpoint_url=f"http://{host}:{port}",
    aws_access_key_id="AKID",
    aws_secret_access_key="SECRET",
    region_name="us-east-1",
)
client.create_bucket(Bucket=sys.argv[1])
print(port, flush=True)
for line in sys.stdin:
    key = line.strip()
    upload = client.create_multipart_upload(Bucket=sys.argv[1], Key=key)["UploadId"]
    client.upload_part(Bucket=sys.argv[1], Key=key, UploadId=upload, PartNumber=1, Body=b"x" * 1000)
    print("begun", flush=True)
server.stop()
