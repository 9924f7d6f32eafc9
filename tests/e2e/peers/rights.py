"""What each user of a broker may really do: everybody publishes to every topic and listens to all of them, and a witness
who may do everything sees what arrives.

Standard input: {"users": {NAME: PASSWORD}, "topics": [TOPIC]}. Standard output: {NAME: {"writes": [TOPIC], "reads": [TOPIC]}}.
The witness is the user `witness`. Exit code 1 if somebody is not let in at all.
"""

import argparse
import json
import sys
import threading
import time

import paho.mqtt.client as mqtt

WITNESS = "witness"


class Client:
    def __init__(self, name, password, port, ca):
        self.heard = []
        self.ready = threading.Event()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=f"rights-{name}")
        self.client.username_pw_set(name, password)
        self.client.tls_set(ca_certs=ca)
        self.client.on_connect = lambda client, _data, _flags, code, _properties: (
            client.subscribe("#", qos=1) if code == 0 else sys.exit(1)
        )
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = lambda _client, _data, message: self.heard.append((message.topic, message.payload.decode()))
        self.client.connect("localhost", port)
        self.client.loop_start()
        if not self.ready.wait(20):
            sys.exit(f"{name} is not let in")

    def publish(self, topic, payload):
        self.client.publish(topic, payload, qos=1).wait_for_publish(20)


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--port", type=int, required=True)
    ask.add_argument("--ca", required=True)
    given = ask.parse_args()
    asked = json.load(sys.stdin)
    clients = {name: Client(name, password, given.port, given.ca) for name, password in asked["users"].items()}
    witness = clients[WITNESS]
    for name, client in clients.items():
        for topic in asked["topics"]:
            client.publish(topic, name)
    # The last message of the witness is the last of all: once everybody who may has it, everything before is there.
    deadline = time.monotonic() + 20
    while (asked["topics"][-1], WITNESS) not in witness.heard and time.monotonic() < deadline:
        time.sleep(0.05)
    time.sleep(0.5)
    found = {
        name: {
            "writes": [topic for topic in asked["topics"] if (topic, name) in witness.heard],
            "reads": [topic for topic in asked["topics"] if (topic, WITNESS) in client.heard],
        }
        for name, client in clients.items()
    }
    print(json.dumps(found), flush=True)


main()
