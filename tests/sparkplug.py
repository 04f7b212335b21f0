"""An edge node of Sparkplug, written with an independent implementation of protocol buffers.

Field numbers as in ISO/IEC 20237:2023 section 6.4.1 (the `Payload` message), built at run time: nothing is generated.
"""

from dataclasses import dataclass, field
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

_TYPES = descriptor_pb2.FieldDescriptorProto
_OPTIONAL, _REPEATED = _TYPES.LABEL_OPTIONAL, _TYPES.LABEL_REPEATED
_METRIC = {
    "name": (1, _TYPES.TYPE_STRING),
    "alias": (2, _TYPES.TYPE_UINT64),
    "timestamp": (3, _TYPES.TYPE_UINT64),
    "datatype": (4, _TYPES.TYPE_UINT32),
    "is_historical": (5, _TYPES.TYPE_BOOL),
    "is_transient": (6, _TYPES.TYPE_BOOL),
    "is_null": (7, _TYPES.TYPE_BOOL),
    "int_value": (10, _TYPES.TYPE_UINT32),
    "long_value": (11, _TYPES.TYPE_UINT64),
    "float_value": (12, _TYPES.TYPE_FLOAT),
    "double_value": (13, _TYPES.TYPE_DOUBLE),
    "boolean_value": (14, _TYPES.TYPE_BOOL),
    "string_value": (15, _TYPES.TYPE_STRING),
    "bytes_value": (16, _TYPES.TYPE_BYTES),
}
_PAYLOAD = {
    "timestamp": (1, _TYPES.TYPE_UINT64),
    "seq": (3, _TYPES.TYPE_UINT64),
    "uuid": (4, _TYPES.TYPE_STRING),
    "body": (5, _TYPES.TYPE_BYTES),
}
_PROPERTY = {"type": (1, _TYPES.TYPE_UINT32), "is_null": (2, _TYPES.TYPE_BOOL), "int_value": (3, _TYPES.TYPE_UINT32)}


def _payload_class() -> Any:  # noqa: ANN401 - made at run time
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_test.proto", package="test", syntax="proto2")
    for name, simple, nested in (
        ("PropertyValue", _PROPERTY, ()),
        ("PropertySet", {}, (("keys", 1, ""), ("values", 2, ".test.PropertyValue"))),
        ("Metric", _METRIC, (("properties", 9, ".test.PropertySet"),)),
        ("Payload", _PAYLOAD, (("metrics", 2, ".test.Metric"),)),
    ):
        message = file.message_type.add(name=name)
        for key, (number, kind) in simple.items():
            message.field.add(name=key, number=number, type=kind, label=_OPTIONAL)
        for key, number, kind_name in nested:
            label = _OPTIONAL if key == "properties" else _REPEATED
            if kind_name:
                message.field.add(name=key, number=number, type=_TYPES.TYPE_MESSAGE, type_name=kind_name, label=label)
            else:
                message.field.add(name=key, number=number, type=_TYPES.TYPE_STRING, label=label)
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("test.Payload"))


Payload = _payload_class()

# Section 6.4.16.
INT8, INT16, INT32, INT64, UINT8, UINT16, UINT32, UINT64, FLOAT, DOUBLE, BOOLEAN, STRING = range(1, 13)


def encoded(metrics: list[dict[str, Any]], *, seq: int | None, timestamp: int | None = None) -> bytes:
    """A payload with `metrics`, each a mapping of its fields; `quality` stands for the property of that name."""
    payload = Payload()
    if seq is not None:
        payload.seq = seq
    if timestamp is not None:
        payload.timestamp = timestamp
    for given in metrics:
        metric = payload.metrics.add()
        for key, value in given.items():
            if key == "quality":
                metric.properties.keys.append("Quality")
                metric.properties.values.add(type=INT32, int_value=value)
            else:
                setattr(metric, key, value)
    done: bytes = payload.SerializeToString()
    return done


@dataclass
class Node:
    """Counts its messages as the standard says."""

    bd_seq: int = 0
    seq: int = field(default=0)

    def birth(self, *metrics: dict[str, Any]) -> bytes:
        """NBIRTH: `seq` 0, with the session's number."""
        self.seq = 1
        session = {"name": "bdSeq", "datatype": INT64, "long_value": self.bd_seq}
        return encoded([session, *metrics], seq=0)

    def says(self, *metrics: dict[str, Any], timestamp: int | None = None) -> bytes:
        """Any other message with the next number."""
        seq, self.seq = self.seq, (self.seq + 1) % 256
        return encoded(list(metrics), seq=seq, timestamp=timestamp)

    def death(self) -> bytes:
        """NDEATH: the session's number only."""
        return encoded([{"name": "bdSeq", "datatype": INT64, "long_value": self.bd_seq}], seq=None)
