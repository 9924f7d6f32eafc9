"""A subscriber by paho with a session that lasts: every payload it gets on a line of its own on standard output."""

import argparse

import paho.mqtt.client as mqtt


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--topic", required=True)
    parser.add_argument("--user")
    parser.add_argument("--password")
    parser.add_argument("--ca")
    arguments = parser.parse_args()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="panel", clean_session=False)

    def connected(client, *_):
        client.subscribe(arguments.topic, qos=1)

    client.on_connect = connected
    client.on_subscribe = lambda *_: print("listening", flush=True)
    client.on_message = lambda _client, _data, message: print(message.payload.decode(), flush=True)
    if arguments.user:
        client.username_pw_set(arguments.user, arguments.password)
    if arguments.ca:
        client.tls_set(ca_certs=arguments.ca)
    client.connect("localhost" if arguments.ca else "127.0.0.1", arguments.port)
    client.loop_forever()


main()
