"""Posts notes, or what else --path takes, by Python's own HTTP client: each argument is a body. Prints a JSON line for each
answer: status, media type, body."""

import argparse
import http.client
import json


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--port", type=int, required=True)
    ask.add_argument("--key-file", required=True)
    ask.add_argument("--path", default="/notes")
    ask.add_argument("bodies", nargs="+")
    given = ask.parse_args()
    with open(given.key_file, encoding="ascii") as file:
        key = file.read().strip()
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    for body in given.bodies:
        connection = http.client.HTTPConnection("127.0.0.1", given.port, timeout=30)
        connection.request("POST", given.path, body.encode(), headers)
        answer = connection.getresponse()
        line = {"status": answer.status, "type": answer.getheader("Content-Type"), "body": json.load(answer)}
        print(json.dumps(line), flush=True)
        connection.close()


main()
