"""A publisher by paho: numbered messages, each with a time of its own, one millisecond after the other.

Standard output: `acknowledged N` for every message the broker has taken, `done` at the end.
"""

import argparse
import json
import sys
import time

import cbor2
import paho.mqtt.client as mqtt


def payload(form, number, time_ms):
    if form == "plain":
        return str(number)
    if form == "json":
        return json.dumps({"v": number, "t": time_ms})
    record = {"n": "probe", "u": "Cel", "v": number, "t": time_ms / 1000}
    if form == "senml":
        return json.dumps([record])
    # RFC 8428, table 4: labels as integers
    labels = {"n": 0, "u": 1, "v": 2, "t": 6}
    return cbor2.dumps([{labels[name]: value for name, value in record.items()}])


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--port", type=int, required=True)
    ask.add_argument("--topic", default="hall/t")
    ask.add_argument("--format", choices=["plain", "json", "senml", "senml-cbor"], default="json")
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--count", type=int, default=1)
    ask.add_argument("--every-ms", type=float, default=0)
    ask.add_argument("--qos", type=int, default=1)
    ask.add_argument("--retain", action="store_true")
    ask.add_argument("--flood", action="store_true", help="every message to a topic of its own below --topic")
    ask.add_argument("--raw", help="send this text instead of a number")
    ask.add_argument("--user")
    ask.add_argument("--password")
    ask.add_argument("--ca")
    given = ask.parse_args()

    client = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2, client_id=f"publisher-{given.topic[:8]}-{given.first}", clean_session=False
    )
    if given.user:
        client.username_pw_set(given.user, given.password)
    if given.ca:
        client.tls_set(ca_certs=given.ca)
    acknowledged = set()
    client.on_publish = lambda _client, _data, mid, _code, _properties: acknowledged.add(mid)
    client.reconnect_delay_set(1, 1)
    client.max_inflight_messages_set(1000)
    client.connect("localhost" if given.ca else "127.0.0.1", given.port)
    client.loop_start()
    base_ms = time.time_ns() // 1_000_000 - 60_000
    waiting = {}

    def settle(most):
        """Waits until at most so many messages are on their way."""
        deadline = time.monotonic() + 60
        while True:
            for mid in [mid for mid in waiting if mid in acknowledged]:
                acknowledged.discard(mid)
                number = waiting.pop(mid)
                if not given.flood:
                    print(f"acknowledged {number}", flush=True)
            if len(waiting) <= most:
                return
            if time.monotonic() > deadline:
                sys.exit(f"{len(waiting)} messages were not taken")
            time.sleep(0.002)

    for number in range(given.first, given.first + given.count):
        topic = f"{given.topic}/{number}" if given.flood else given.topic
        data = given.raw if given.raw is not None else payload(given.format, number, base_ms + number)
        # While the broker is away paho says so and keeps the message all the same.
        waiting[client.publish(topic, data, qos=given.qos, retain=given.retain).mid] = number
        settle(5000)
        if given.every_ms:
            time.sleep(given.every_ms / 1000)
    settle(0)
    print("done", flush=True)
    client.disconnect()
    client.loop_stop()


main()
