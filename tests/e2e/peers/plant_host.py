"""A host application of Sparkplug B by paho and Python's protobuf, written after the specification, for the tests.

    plant_host.py --vectors FILE --port N                 follows every edge node; a line of JSON for every message
    plant_host.py --vectors FILE --port N --send WHAT     publishes one message: rebirth, rebirth-by-alias=N, other-command,
                                                          garbage, retained-rebirth, online=MS, offline=MS
    plant_host.py --vectors FILE --check LINES            the rules once more over lines that were written before

Field numbers come from the published schema (--vectors). A line holds `topic`, `qos`, `retain`, `hex`, what was read in it with
names in the place of aliases, and `complaints`: every rule of the specification that the message breaks. With --check the exit
code is 1 where there is any.
"""

import argparse
import json
import sys
import time
import tomllib

import paho.mqtt.client as mqtt
from google.protobuf import descriptor_pb2, descriptor_pool, message_factory, unknown_fields

VALUES = ["int_value", "long_value", "float_value", "double_value", "boolean_value", "string_value", "bytes_value"]
# Data types (specification, chapter 6) and the field that holds their values.
FIELD_OF = {3: "int_value", 4: "long_value", 10: "double_value", 11: "boolean_value", 12: "string_value", 13: "long_value"}


def schema(vectors):
    """The payload of the published table as a class, and the published quality codes."""
    with open(vectors, "rb") as file:
        tables = tomllib.load(file)
    rows = tables["payload_fields"]["rows"]
    proto = descriptor_pb2.FieldDescriptorProto
    scalars = {
        "uint32": proto.TYPE_UINT32, "uint64": proto.TYPE_UINT64, "bool": proto.TYPE_BOOL, "string": proto.TYPE_STRING,
        "bytes": proto.TYPE_BYTES, "float": proto.TYPE_FLOAT, "double": proto.TYPE_DOUBLE,
    }
    file = descriptor_pb2.FileDescriptorProto(name="payload.proto", package="plant", syntax="proto2")
    messages = {}
    for name in ["Payload", "Metric", "MetaData", "PropertySet", "PropertyValue", "DataSet", "Template"]:
        messages[name] = file.message_type.add(name=name)
    for message, field, number, kind in rows:
        repeated = kind.startswith("repeated ")
        kind = kind.removeprefix("repeated ")
        made = messages[message].field.add(
            name=field, number=number, label=proto.LABEL_REPEATED if repeated else proto.LABEL_OPTIONAL
        )
        if kind in scalars:
            made.type = scalars[kind]
        else:
            made.type, made.type_name = proto.TYPE_MESSAGE, f".plant.{kind}"
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    codes = {code for _, code in tables["quality_codes"]["rows"]}
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("plant.Payload")), codes


def value_of(holder, signed_type, complaints):
    fields = [name for name in VALUES if name in holder.DESCRIPTOR.fields_by_name and holder.HasField(name)]
    if len(fields) > 1:
        complaints.append(f"several values: {fields}")
    if not fields:
        return None
    if FIELD_OF.get(signed_type) != fields[0]:
        complaints.append(f"type {signed_type} in {fields[0]}")
    value = getattr(holder, fields[0])
    bits = {3: 32, 4: 64}.get(signed_type)
    return value - (1 << bits) if bits and value >> (bits - 1) else value


class Entity:
    """The node or a device: its metrics by alias."""

    def __init__(self):
        self.names, self.types, self.values = {}, {}, {}


class Node:
    def __init__(self):
        self.alive, self.bd_seq, self.seq, self.entities = False, None, None, {}
        self.died, self.missed = True, False


class Host:
    """What a host knows of the edge nodes, and what they do wrong."""

    def __init__(self, payload_class, quality_codes):
        self.payload_class, self.quality_codes, self.nodes = payload_class, quality_codes, {}

    def lost_the_broker(self):
        """Everything is stale until it is born again."""
        for node in self.nodes.values():
            node.alive, node.died, node.missed = False, True, True

    def take(self, topic, qos, retain, payload):
        complaints = []
        levels = topic.split("/")
        if levels[:2] == ["spBv1.0", "STATE"] or levels[2:3] == ["NCMD"]:
            return None
        if len(levels) not in (4, 5) or levels[0] != "spBv1.0":
            return {"complaints": [f"topic {topic}"]}
        _, group, verb, name, *device = levels
        if (len(device) == 1) != verb.startswith("D"):
            complaints.append(f"{verb} with {len(device)} devices in the topic")
        if retain:
            complaints.append("retained")
        if qos != (1 if verb == "NDEATH" else 0):
            complaints.append(f"{verb} at QoS {qos}")
        read = self.payload_class()
        try:
            read.ParseFromString(payload)
        except Exception as error:  # whatever the library says of bytes it cannot read
            return {"complaints": [f"no payload: {error}"]}
        if len(unknown_fields.UnknownFieldSet(read)):
            complaints.append("fields that the schema does not have")
        node = self.nodes.setdefault((group, name), Node())
        if node.missed and verb not in ("NBIRTH", "NDEATH"):
            # A host asks for a rebirth then; nothing is wrong with the node.
            return {"verb": verb, "node": name, "device": None, "seq": None, "metrics": [], "complaints": []}
        metrics = getattr(self, verb.lower(), self.unknown)(node, device[0] if device else None, read, complaints)
        seq = read.seq if read.HasField("seq") else None
        return {
            "verb": verb, "node": name, "device": device[0] if device else None, "seq": seq,
            "timestamp": read.timestamp if read.HasField("timestamp") else None, "metrics": metrics, "complaints": complaints,
        }

    def unknown(self, _node, _device, _read, complaints):
        complaints.append("no such message")

    def nbirth(self, node, _device, read, complaints):
        if not read.HasField("seq") or read.seq != 0:
            complaints.append("a node birth whose seq is not 0")
        entity = Entity()
        node.entities, node.seq = {None: entity}, 0
        metrics = self.born(node, entity, read, complaints)
        bd_seq = [metric for metric in metrics if metric["name"] == "bdSeq"]
        if len(bd_seq) != 1 or bd_seq[0]["type"] != 4 or not 0 <= bd_seq[0]["value"] <= 255:
            complaints.append(f"bdSeq is {bd_seq}")
            return metrics
        number = bd_seq[0]["value"]
        if node.died and node.bd_seq is not None and number == node.bd_seq:
            complaints.append(f"a new connection with the bdSeq {number} of the last one")
        if not node.died and number != node.bd_seq:
            complaints.append(f"a rebirth with bdSeq {number} instead of {node.bd_seq}")
        rebirth = [m for m in metrics if m["name"] == "Node Control/Rebirth"]
        if len(rebirth) != 1 or rebirth[0]["type"] != 11 or rebirth[0]["value"] is not False:
            complaints.append(f"Node Control/Rebirth is {rebirth}")
        node.alive, node.died, node.missed, node.bd_seq = True, False, False, number
        return metrics

    def dbirth(self, node, device, read, complaints):
        self.in_order(node, read, complaints)
        node.entities[device] = entity = Entity()
        return self.born(node, entity, read, complaints)

    def born(self, node, entity, read, complaints):
        self.stamped(read, complaints)
        metrics = []
        known = {alias for other in node.entities.values() for alias in other.names}
        for metric in read.metrics:
            if not (metric.HasField("name") and metric.HasField("alias") and metric.HasField("datatype")):
                complaints.append(f"a birth lacks name, alias or type: {metric.name}")
                continue
            if metric.alias in known:
                complaints.append(f"alias {metric.alias} twice")
            if metric.name in entity.names.values():
                complaints.append(f"metric {metric.name} twice")
            known.add(metric.alias)
            entity.names[metric.alias], entity.types[metric.alias] = metric.name, metric.datatype
            said = self.said(metric, metric.name, metric.datatype, complaints)
            entity.values[metric.alias] = (said["value"], said["properties"])
            metrics.append(said)
        return metrics

    def ndata(self, node, device, read, complaints):
        self.in_order(node, read, complaints)
        self.stamped(read, complaints)
        entity = node.entities.get(device)
        if entity is None:
            complaints.append("data before the birth")
            return []
        metrics = []
        if not read.metrics:
            complaints.append("data without a metric")
        for metric in read.metrics:
            if metric.HasField("name"):
                complaints.append(f"data with a name: {metric.name}")
            if metric.alias not in entity.names:
                complaints.append(f"alias {metric.alias} is of no birth of this one")
                continue
            said = self.said(metric, entity.names[metric.alias], entity.types[metric.alias], complaints)
            now = (said["value"], said["properties"])
            if entity.values[metric.alias] == now:
                complaints.append(f"{said['name']} has not changed")
            entity.values[metric.alias] = now
            metrics.append(said)
        return metrics

    ddata = ndata

    def ddeath(self, node, device, read, complaints):
        self.in_order(node, read, complaints)
        self.stamped(read, complaints)
        if node.entities.pop(device, None) is None:
            complaints.append("a death before the birth")
        return []

    def ndeath(self, node, _device, read, complaints):
        if read.HasField("seq"):
            complaints.append("a node death with a seq")
        if [metric.name for metric in read.metrics] != ["bdSeq"] or read.metrics[0].datatype != 4:
            complaints.append("a node death that does not say its bdSeq, and nothing else")
            return []
        number = read.metrics[0].long_value
        if number == node.bd_seq:
            if node.died:
                complaints.append(f"death of bdSeq {number} twice")
            node.alive, node.died, node.entities = False, True, {}
        return [{"name": "bdSeq", "value": number}]

    def in_order(self, node, read, complaints):
        if not node.alive:
            complaints.append("before the node birth")
        wanted = None if node.seq is None else (node.seq + 1) % 256
        if not read.HasField("seq") or read.seq != wanted:
            complaints.append(f"seq {read.seq if read.HasField('seq') else None} instead of {wanted}")
        node.seq = read.seq

    def stamped(self, read, complaints):
        if not read.HasField("timestamp") or not all(metric.HasField("timestamp") for metric in read.metrics):
            complaints.append("without a timestamp")
        times = [metric.timestamp for metric in read.metrics]
        if times != sorted(times):
            complaints.append("values not in the order of their times")

    def said(self, metric, name, kind, complaints):
        if metric.HasField("datatype") and metric.datatype != kind:
            complaints.append(f"{name} has become a {metric.datatype}")
        value = value_of(metric, kind, complaints)
        if metric.is_null != (value is None):
            complaints.append(f"{name} is null and not null")
        if metric.is_historical or metric.is_transient:
            complaints.append(f"{name} is not of now")
        keys, values = metric.properties.keys, metric.properties.values
        if len(keys) != len(values):
            complaints.append(f"{name} has {len(keys)} keys and {len(values)} values")
        properties = {key: value_of(one, one.type, complaints) for key, one in zip(keys, values)}
        if "Quality" in properties:
            if properties["Quality"] not in self.quality_codes or values[list(keys).index("Quality")].type != 3:
                complaints.append(f"{name} has quality {properties['Quality']}")
            if (properties["Quality"] == 0) != (value is None) and "90" not in name:
                complaints.append(f"{name} is {value} at quality {properties['Quality']}")
        return {"name": name, "alias": metric.alias, "type": kind, "value": value, "at": metric.timestamp, "properties": properties}


def line(host, topic, qos, retain, payload):
    taken = host.take(topic, qos, retain, payload)
    if taken is None:
        return None
    return {"topic": topic, "qos": qos, "retain": retain, "hex": payload.hex(), **taken}


def follow(host, port):
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="plant-host", clean_session=True)

    def connected(client, *_):
        client.subscribe("spBv1.0/#", qos=1)

    def came(_client, _data, message):
        said = line(host, message.topic, message.qos, message.retain, message.payload)
        if said is not None:
            print(json.dumps(said), flush=True)

    client.on_connect = connected
    client.on_disconnect = lambda *_: host.lost_the_broker()
    client.on_subscribe = lambda *_: print("listening", flush=True)
    client.on_message = came
    client.reconnect_delay_set(1, 1)
    client.connect("127.0.0.1", port)
    client.loop_forever(retry_first_connection=True)


def send(payload_class, port, what):
    what, _, argument = what.partition("=")
    now = time.time_ns() // 1_000_000
    topic, retain, qos = "spBv1.0/hall-2/NCMD/box-1", what == "retained-rebirth", 0
    command = payload_class(timestamp=now)
    if what in ("online", "offline"):
        # Specification 3.0: retained, at QoS 1, JSON with the moment.
        topic, retain, qos = "spBv1.0/STATE/scada-1", True, 1
        body = json.dumps({"online": what == "online", "timestamp": int(argument)}).encode()
    elif what == "garbage":
        body = b"\xff" * 400
    else:
        metric = command.metrics.add(timestamp=now, datatype=11, boolean_value=True)
        if what == "rebirth-by-alias":
            metric.alias = int(argument)
        else:
            metric.name = "Node Control/Reboot" if what == "other-command" else "Node Control/Rebirth"
        body = command.SerializeToString()
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=f"plant-sender-{now}")
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish(topic, body, qos=qos, retain=retain).wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def check(host, path):
    complaints = 0
    with open(path, encoding="utf-8") as lines:
        for number, text in enumerate(lines, 1):
            said = json.loads(text)
            again = line(host, said["topic"], said["qos"], said["retain"], bytes.fromhex(said["hex"]))
            for complaint in again["complaints"]:
                complaints += 1
                print(f"{number}: {said['topic']}: {complaint}")
    sys.exit(1 if complaints else 0)


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--vectors", required=True)
    ask.add_argument("--port", type=int)
    ask.add_argument("--send")
    ask.add_argument("--check")
    given = ask.parse_args()
    payload_class, quality_codes = schema(given.vectors)
    host = Host(payload_class, quality_codes)
    if given.send:
        send(payload_class, given.port, given.send)
    elif given.check:
        check(host, given.check)
    else:
        follow(host, given.port)


main()
