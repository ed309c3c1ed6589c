"""Who may say and hear what, on a real Mosquitto with TLS and the generated rules: measured by what arrives.

A forbidden word is confirmed and dropped, a forbidden subscription granted and never served: return codes say nothing.
"""

from __future__ import annotations

import datetime
import socket
import ssl
import threading
from itertools import product
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from brokersite import HOST, BrokerSite, free_port, until
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.broker.authority import new_authority
from host.enrolment import COLLECTOR
from host.tls import client_context, reach
from soak.wire import LARGEST_MESSAGE_BYTES, PREFIX

pytestmark = pytest.mark.broker

V311, V5 = MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5
NODES = ("mill-1", "mill-2")
KINDS = ("readings", "state", "receipt", "orders", "unknown", "readings/x", "state/x")
ELSEWHERE = ("soakledger/2/mill-1/readings", "soakledger/1", "other", "readings", "mill-1/readings", "$SYS/x")


@pytest.fixture(scope="module")
def secrets(site: BrokerSite) -> dict[str, str]:
    return {node: site.enrol(node) for node in NODES}


def topics() -> list[str]:
    """Every topic that is tried: of both nodes, of the collector's name and of others that look like one of ours."""
    names = (*NODES, "collector", "mill-3", "%u", "")
    return [f"{PREFIX}{name}/{kind}" for name, kind in product(names, KINDS)] + list(ELSEWHERE)


def other(node: str) -> str:
    return NODES[1 - NODES.index(node)]


@pytest.mark.parametrize("protocol", [V311, V5], ids=["3.1.1", "5"])
@pytest.mark.parametrize("node", NODES)
def test_a_node_can_say_its_own_readings_and_state_and_nothing_else(
    site: BrokerSite, secrets: dict[str, str], node: str, protocol: MQTTProtocolVersion
) -> None:
    mark = f"{node} {protocol}".encode()
    witness = site.witness(subscribe=["#"]).ready()
    one = site.client(node, secrets[node], protocol=protocol).ready()
    for topic, qos, retain in product(topics(), (0, 1, 2), (False, True)):
        one.say(topic, mark + b" %d %d " % (qos, retain) + topic.encode(), qos=qos, retain=retain)
    one.say(f"{PREFIX}{node}/readings", mark + b" end")  # one client's words stay in order
    witness.heard(f"{PREFIX}{node}/readings", mark + b" end")
    may = [f"{PREFIX}{node}/{kind}" for kind in ("readings", "state")]
    heard = [(topic, payload) for topic, payload in witness.messages if payload.startswith(mark)]
    assert {topic for topic, _ in heard} == set(may)
    assert len(heard) == len(may) * 6 + 1
    kept = site.client("witness", "witness", subscribe=["#"]).ready()  # takes the first one's place
    kept.say("end", b"end")
    kept.heard("end", b"end")
    assert {topic for topic, payload in kept.messages if payload.startswith(mark)} == set(may)
    for topic in may:
        kept.say(topic, b"", retain=True)
    kept.close()
    one.close()


WIDER = (
    "#",
    "+/+/+/+",
    "soakledger/#",
    "soakledger/1/#",
    "soakledger/1/+/#",
    "$SYS/#",
    "$SYS/broker/#",
    "$share/g/#",
    "/#",
    *(f"soakledger/1/+/{kind}" for kind in KINDS[:5]),
    *(f"soakledger/+/{node}/{kind}" for node, kind in product(NODES, KINDS[:5])),
    *(f"soakledger/1/{node}/{wide}" for node, wide in product(NODES, ("#", "+", "+/x"))),
    *(f"$share/g/soakledger/1/{node}/{kind}" for node, kind in product(NODES, KINDS[:5])),
)


@pytest.mark.parametrize("protocol", [V311, V5], ids=["3.1.1", "5"])
@pytest.mark.parametrize("node", NODES)
def test_a_node_can_hear_its_own_receipts_and_orders_and_nothing_else(
    site: BrokerSite, secrets: dict[str, str], node: str, protocol: MQTTProtocolVersion
) -> None:
    witness = site.witness().ready()
    said = [topic for topic in topics() if not topic.startswith("$")]
    for topic in said:
        witness.say(topic, b"kept", retain=True)
    one = site.client(node, secrets[node], protocol=protocol, subscribe=[*said, *WIDER]).ready()
    for topic in said:
        witness.say(topic, b"new")
    witness.say(f"{PREFIX}{node}/receipt", b"end")
    one.heard(f"{PREFIX}{node}/receipt", b"end")
    may = {f"{PREFIX}{node}/{kind}" for kind in ("receipt", "orders")}
    assert {topic for topic, _ in one.messages} == may
    assert {payload for _, payload in one.messages} == {b"kept", b"new", b"end"}
    for topic in said:
        witness.say(topic, b"", retain=True)
    witness.close()
    one.close()


def test_a_last_will_reaches_no_further_than_the_node_itself(site: BrokerSite, secrets: dict[str, str]) -> None:
    node, witness = NODES[0], site.witness(subscribe=["#"]).ready()
    foreign = [f"{PREFIX}{name}/{kind}" for name, kind in product((other(node), COLLECTOR), KINDS[:5])]
    foreign += [f"{PREFIX}{node}/{kind}" for kind in ("receipt", "orders", "unknown")]
    for topic in (*foreign, f"{PREFIX}{node}/state"):
        mortal = site.client(node, secrets[node], will=(topic, b"will"))
        until(lambda mortal=mortal: mortal.answers)
        if mortal.answers == ["Success"]:
            mortal.cut_off()
        else:
            mortal.close()
    witness.heard(f"{PREFIX}{node}/state", b"will")
    assert [topic for topic, payload in witness.messages if payload == b"will"] == [f"{PREFIX}{node}/state"]
    witness.say(f"{PREFIX}{node}/state", b"", retain=True)
    witness.close()


def test_the_collector_hears_all_nodes_and_speaks_to_all(site: BrokerSite, secrets: dict[str, str]) -> None:
    wanted = [f"{PREFIX}+/{kind}" for kind in KINDS[:4]]
    collector = site.collector(subscribe=wanted).ready()
    nodes = {
        node: site.client(node, secret, subscribe=[f"{PREFIX}{node}/{kind}" for kind in ("receipt", "orders")]).ready()
        for node, secret in secrets.items()
    }
    for node, one in nodes.items():
        for kind in ("readings", "state"):
            one.say(f"{PREFIX}{node}/{kind}", b"from a node")
            collector.heard(f"{PREFIX}{node}/{kind}", b"from a node")
        for kind in ("receipt", "orders"):
            collector.say(f"{PREFIX}{node}/{kind}", b"from the collector")
            one.heard(f"{PREFIX}{node}/{kind}", b"from the collector")
    collector.say(f"{PREFIX}{NODES[0]}/readings", b"forged by the collector")
    collector.say(f"{PREFIX}{NODES[0]}/receipt", b"end")
    collector.heard(f"{PREFIX}{NODES[0]}/receipt", b"end")
    assert b"forged by the collector" not in {payload for _, payload in collector.messages}
    for each in (collector, *nodes.values()):
        each.close()


IDS = ("", "collector", "soakledger-collector-0123", NODES[1], f"soakledger-node-{NODES[1]}", "anything")


def test_taking_anothers_client_id_throws_nobody_out_and_hears_nothing(
    site: BrokerSite, secrets: dict[str, str]
) -> None:
    """The broker ends the older connection of the same id (MQTT 3.1.1, 3.1.4-2): so the id is the login."""
    readings = f"{PREFIX}{NODES[1]}/readings"
    victim = site.client(NODES[1], secrets[NODES[1]], client_id=f"soakledger-node-{NODES[1]}").ready()
    collector = site.collector(client_id="soakledger-collector-0123", clean=False, subscribe=[readings]).ready()
    for client_id in IDS[1:]:
        for clean in (True, False):
            thief = site.client(NODES[0], secrets[NODES[0]], client_id=client_id, clean=clean).ready()
            victim.say(readings, client_id.encode())
            collector.heard(readings, client_id.encode())
            assert thief.messages == []
            thief.close()
    assert (victim.ended, collector.ended) == (0, 0)

    collector.cut_off()
    victim.say(readings, b"while it was away")
    victim.say(f"{PREFIX}{NODES[1]}/state", b"end")
    for client_id in IDS[1:]:
        thief = site.client(NODES[0], secrets[NODES[0]], client_id=client_id, clean=False).ready()
        thief.say(f"{PREFIX}{NODES[0]}/state", b"end")
        assert thief.messages == []
        thief.close()
    back = site.collector(client_id="soakledger-collector-0123", clean=False, subscribe=[readings]).ready()
    assert back.session_was_there
    back.heard(readings, b"while it was away")
    back.close()
    site.collector(client_id="soakledger-collector-0123").ready().close()  # what waits for it is given up
    victim.close()


def test_who_has_no_login_or_a_wrong_password_is_refused(site: BrokerSite, secrets: dict[str, str]) -> None:
    for login, password in (
        (None, ""),
        (NODES[0], ""),
        (NODES[0], secrets[NODES[1]]),
        ("collector", secrets[NODES[0]]),
        ("mill-9", secrets[NODES[0]]),
        ("", ""),
    ):
        one = site.client(login, password)
        until(lambda one=one: one.answers)
        assert one.answers == ["Not authorized"], login
        one.close()


def test_without_tls_nobody_is_heard(site: BrokerSite, secrets: dict[str, str]) -> None:
    plain = mqtt.Client(CallbackAPIVersion.VERSION2)
    plain.username_pw_set(NODES[0], secrets[NODES[0]])
    answers: list[object] = []
    plain.on_connect = lambda *_: answers.append("in")
    plain.connect(HOST, site.port)
    results = [plain.loop(0.2)]
    while results[-1] == mqtt.MQTT_ERR_SUCCESS:
        results.append(plain.loop(0.2))
    assert (answers, results[-1]) == ([], mqtt.MQTT_ERR_CONN_LOST)


def test_tls_older_than_1_2_is_refused(site: BrokerSite) -> None:
    def version(least: ssl.TLSVersion, most: ssl.TLSVersion) -> str | None:
        context = client_context(str(site.place.ca))
        context.set_ciphers("ALL:@SECLEVEL=0")  # or OpenSSL itself would not even try
        context.minimum_version, context.maximum_version = least, most
        with (
            socket.create_connection((HOST, site.port)) as plain,
            context.wrap_socket(plain, server_hostname=HOST) as secured,
        ):
            return secured.version()

    assert version(ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_2) == "TLSv1.2"
    assert version(ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3) == "TLSv1.3"
    with pytest.warns(DeprecationWarning, match="TLSv1_1"), pytest.raises(ssl.SSLError, match=r"(?i)protocol.version"):
        version(ssl.TLSVersion.TLSv1_1, ssl.TLSVersion.TLSv1_1)


def test_what_is_larger_than_the_wire_knows_reaches_nobody(site: BrokerSite, secrets: dict[str, str]) -> None:
    readings = f"{PREFIX}{NODES[0]}/readings"
    witness = site.witness(subscribe=[readings]).ready()
    sizes = (LARGEST_MESSAGE_BYTES, LARGEST_MESSAGE_BYTES + 4_096)
    for size in sizes:
        one = site.client(NODES[0], secrets[NODES[0]]).ready()
        one.say(readings, b"x" * size)
        if size == sizes[0]:
            witness.heard(readings, b"x" * size)
            one.close()
        else:
            until(lambda one=one: one.ended)
    last = site.client(NODES[0], secrets[NODES[0]]).ready()
    last.say(readings, b"end")
    witness.heard(readings, b"end")
    assert [len(payload) for _, payload in witness.messages] == [sizes[0], 3]
    witness.close()
    last.close()


def test_a_look_at_the_broker_disturbs_nobody_and_says_what_is_wrong(
    site: BrokerSite, secrets: dict[str, str], tmp_path: Path
) -> None:
    one = site.client(NODES[0], secrets[NODES[0]]).ready()
    assert reach(HOST, site.port, str(site.place.ca)) is None
    assert reach(HOST, site.port, None) is None
    assert one.ended == 0
    one.close()

    def said(host: str, port: int, ca_file: Path = site.place.ca) -> str:
        found = reach(host, port, str(ca_file))
        return found.text if found else ""

    assert said(HOST, free_port()).startswith("Nobody answers: 127.0.0.1 is there, but no broker listens at that port.")
    assert said("127.0.0.2", site.port).startswith("The broker's certificate is not for 127.0.0.2. ")
    foreign = tmp_path / "ca.pem"
    foreign.write_bytes(new_authority(datetime.datetime.now(datetime.UTC)).certificate_pem)
    assert said(HOST, site.port, foreign).startswith("127.0.0.1 shows a certificate that this site's authority did not")
    with socket.create_server((HOST, 0)) as plain:
        answering = threading.Thread(target=_answer_plainly, args=(plain,))
        answering.start()
        assert said(HOST, plain.getsockname()[1]).startswith("127.0.0.1 answers, but not as a broker with TLS does (")
        answering.join()


def _answer_plainly(listening: socket.socket) -> None:
    line, _ = listening.accept()
    with line:
        line.sendall(b"220 something else\r\n")
        line.recv(1_000)
