"""One message to a running watch, through the broker: a command, or what hangs on a whip."""

import logging
import ssl

from paho.mqtt import MQTTException, publish
from paho.mqtt.client import MQTTv311

from fillguard.core.errors import DeviceError
from fillguard.settings import BrokerSettings

_KEEPALIVE_S = 10
logging.getLogger("paho").addHandler(logging.NullHandler())
"""After each message it logs as an error that it is no longer connected, and without a handler that is printed."""


def send_command(broker: BrokerSettings, station: str, payload: bytes) -> None:
    """Publish one command and wait until the broker has it. Raises DeviceError when it cannot be told."""
    _send(broker, f"fillguard/{station}/command", payload)


def send_cylinder(broker: BrokerSettings, station: str, whip: str, payload: bytes) -> None:
    """Say what hangs on a whip, and wait until the broker has it. Raises DeviceError when it cannot be told."""
    _send(broker, f"fill/{station}/{whip}/cylinder", payload)


def _send(broker: BrokerSettings, topic: str, payload: bytes) -> None:
    password = broker.password.get_secret_value() if broker.password is not None else None
    try:
        publish.single(
            topic,
            payload,
            qos=1,
            hostname=broker.host,
            port=broker.port,
            client_id=f"{broker.client_id}-command",
            keepalive=_KEEPALIVE_S,
            auth=None if broker.user is None else {"username": broker.user, "password": password or ""},
            tls=tls_of(broker),  # type: ignore[arg-type]  # its types leave out the context that it takes
            protocol=MQTTv311,
        )
    except (OSError, ValueError, MQTTException) as error:
        raise unusable(broker, str(error)) from error


def unusable(broker: BrokerSettings, why: str) -> DeviceError:
    """The error that says so, and what to do."""
    return DeviceError(
        f"the broker at {broker.host}:{broker.port} that leads to the watch cannot be used "
        f"({why}): bring the broker back and say it again"
    )


def tls_of(broker: BrokerSettings) -> ssl.SSLContext | None:
    """How the connection is secured; None: it is not."""
    if broker.tls is None:
        return None
    context = ssl.create_default_context(cafile=broker.tls.ca_file)
    if broker.tls.cert_file is not None:
        context.load_cert_chain(broker.tls.cert_file, broker.tls.key_file)
    return context
