"""How the broker is reached: host, port, TLS, user and password; the secrets never come from the command line."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from benchwarden.daemon.bench import Mqtt
from benchwarden.daemon.secret_file import lines_of, read_secret
from benchwarden.profiles.mistakes import FileMistakes

USER, PASSWORD = "BENCHWARDEN_MQTT_USER", "BENCHWARDEN_MQTT_PASSWORD"
# The ports that IANA registered for "mqtt" and "secure-mqtt".
PLAIN_PORT, TLS_PORT = 1883, 8883
_HERE = ("localhost", "127.0.0.1")


@dataclass(frozen=True, slots=True)
class Login:
    """Where the broker is and who we are there; `doubt`: what a person should think about, or nothing."""

    host: str
    port: int
    tls: ssl.SSLContext | None
    user: str | None
    password: str | None = field(repr=False)
    doubt: str = ""


def login(mqtt: Mqtt, bench: Path, environment: Mapping[str, str]) -> Login:
    """Return how to log in; FileMistakes with everything that is wrong with it. `bench` is the bench file."""
    scheme, _, rest = mqtt.url.partition("://")
    host, _, port = rest.partition(":")
    secure = scheme == "mqtts"
    mistakes: list[str] = []
    number = int(port) if port else TLS_PORT if secure else PLAIN_PORT
    if not 1 <= number <= 65535:
        mistakes.append(f"{bench}: [mqtt] url has port {number}; right would be 1 to 65535")
    if not secure and (mqtt.ca_file or mqtt.certificate_file or mqtt.key_file):
        mistakes.append(f"{bench}: [mqtt] names certificates, but url is mqtt://; right would be mqtts://")
    if bool(mqtt.certificate_file) != bool(mqtt.key_file):
        mistakes.append(f"{bench}: [mqtt] certificate_file and key_file belong together; one of them is missing")
    tls: ssl.SSLContext | None = None
    user = password = None
    try:
        user, password = _secrets(mqtt, bench, environment)
    except FileMistakes as error:
        mistakes += error.mistakes
    if secure and not mistakes:
        try:
            tls = _context(mqtt, bench.parent)
        except FileMistakes as error:
            mistakes += error.mistakes
    if mistakes:
        raise FileMistakes(mistakes)
    doubt = ""
    if not secure and host not in _HERE:
        doubt = f"{bench}: [mqtt] url is mqtt:// to another machine: everybody on the way reads and may change it"
    return Login(host, number, tls, user, password, doubt)


def _secrets(mqtt: Mqtt, bench: Path, environment: Mapping[str, str]) -> tuple[str | None, str | None]:
    """Return user and password, None where there are none; the environment comes before the file."""
    found: dict[str, str] = {}
    if mqtt.secret_file is not None:
        path = bench.parent / mqtt.secret_file
        for line in lines_of(read_secret(path, "[mqtt] secret_file")):
            key, sign, value = line.partition("=")
            if not sign or key.strip() not in ("user", "password"):
                raise FileMistakes(
                    [f"{path}: [mqtt] secret_file: lines `user = …` and `password = …` would be right, and no other"]
                )
            found[key.strip()] = value.strip()
    user = environment.get(USER) or found.get("user")
    password = environment.get(PASSWORD) or found.get("password")
    if password and not user:
        raise FileMistakes([f"{bench}: [mqtt] there is a password, but no user ({USER}, or `user = …` in secret_file)"])
    return user, password


def _context(mqtt: Mqtt, folder: Path) -> ssl.SSLContext:
    """Return a context that checks the broker's certificate and name."""
    try:
        context = ssl.create_default_context(cafile=str(folder / mqtt.ca_file) if mqtt.ca_file else None)
    except OSError as error:  # ssl.SSLError is one
        raise FileMistakes([f"{folder / str(mqtt.ca_file)}: [mqtt] ca_file is no certificate: {error}"]) from error
    if mqtt.certificate_file and mqtt.key_file:
        read_secret(folder / mqtt.key_file, "[mqtt] key_file")
        try:
            context.load_cert_chain(folder / mqtt.certificate_file, folder / mqtt.key_file)
        except OSError as error:
            where = folder / mqtt.certificate_file
            raise FileMistakes([f"{where}: [mqtt] certificate_file with its key_file: {error}"]) from error
    return context
