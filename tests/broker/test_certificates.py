"""The authority, its certificates, their renewal and watching; handshakes are real, some without a network."""

from __future__ import annotations

import datetime
import socket
import ssl
import stat
from pathlib import Path

import pytest
from brokersite import HOST, BrokerSite, free_port, handshake
from click.testing import CliRunner
from cryptography import x509

from collector.broker import certificates
from collector.broker.authority import (
    Signed,
    checked_names,
    is_authority,
    names_of,
    new_authority,
    new_server,
    pem,
)
from collector.broker.certificates_command import command
from collector.broker.place import Place, Setup
from collector.broker.setting_up import set_up
from collector.broker.watching import CertificateWatch
from collector.conditions import Conditions
from collector.errors import BrokerError
from collector.settings import BrokerSettings, Settings
from host.tls import client_context, presented, trouble

NOW = datetime.datetime.now(datetime.UTC)
DAY = datetime.timedelta(days=1)


@pytest.fixture
def place(tmp_path: Path) -> Place:
    made = Place(tmp_path / "etc")
    made.make()
    return made


def server_context(folder: Path, signed: Signed) -> ssl.SSLContext:
    (folder / "server.pem").write_bytes(signed.certificate_pem)
    (folder / "server.key").write_bytes(signed.key_pem)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "server.pem", folder / "server.key")
    return context


def trusting(folder: Path, *authorities: Signed) -> ssl.SSLContext:
    (folder / "ca.pem").write_bytes(b"".join(each.certificate_pem for each in authorities))
    return client_context(str(folder / "ca.pem"))


def test_an_authority_signs_servers_and_no_authority_and_lasts_ten_years() -> None:
    made = new_authority(NOW).certificate
    constraints = made.extensions.get_extension_for_class(x509.BasicConstraints)
    assert (constraints.critical, constraints.value.ca, constraints.value.path_length) == (True, True, 0)
    assert made.not_valid_before_utc == (NOW - DAY / 24).replace(microsecond=0)
    assert made.not_valid_after_utc - made.not_valid_before_utc == 3_652 * DAY
    assert made.serial_number != new_authority(NOW).certificate.serial_number
    assert pem(made).startswith(b"-----BEGIN CERTIFICATE-----")


def test_a_server_is_named_lasts_398_days_at_most_and_never_outlives_its_authority() -> None:
    authority = new_authority(NOW)
    one = new_server(authority, ["soak.local", "192.168.1.5", "fe80::1"], NOW)
    assert names_of(one.certificate) == ("soak.local", "192.168.1.5", "fe80::1", "localhost", HOST, "::1")
    assert one.certificate.not_valid_after_utc - one.certificate.not_valid_before_utc == 398 * DAY
    assert not is_authority(one.certificate)
    late = new_server(authority, ["soak.local"], NOW + 3_600 * DAY)
    assert late.certificate.not_valid_after_utc == authority.certificate.not_valid_after_utc
    assert late.certificate.serial_number != one.certificate.serial_number
    with pytest.raises(BrokerError, match=r"^The site's authority ended on .*--new-authority"):
        new_server(authority, ["soak.local"], NOW + 3_652 * DAY)


@pytest.mark.parametrize("name", ["", "a b", "https://a", "a:8883", "-a", "a..b", "*.a", "a/b", "x" * 64, "ä" * 70])
def test_what_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(BrokerError, match="is neither a name nor an address"):
        checked_names([name])


def test_names_are_written_as_certificates_have_them() -> None:
    given = ["Soak.LOCAL", "soak.local", "192.168.1.5", "FE80:0::1", "mühle.example"]
    assert checked_names(given) == ("soak.local", "192.168.1.5", "fe80::1", "xn--mhle-0ra.example")


def test_a_node_says_in_words_why_it_does_not_trust_a_server(tmp_path: Path) -> None:
    ours, foreign = new_authority(NOW - 500 * DAY), new_authority(NOW)

    def said(server: Signed, name: str = "soak.local") -> str:
        with pytest.raises(ssl.SSLError) as caught:
            handshake(server_context(tmp_path, server), trusting(tmp_path, ours), name)
        found = trouble(caught.value, name)
        assert found.lasts
        return found.text

    names = ["soak.local"]
    handshake(server_context(tmp_path, new_server(ours, names, NOW)), trusting(tmp_path, ours), "soak.local")
    assert said(new_server(ours, names, NOW - 400 * DAY)).startswith(
        "The broker's certificate has ended, or this machine's clock is ahead. Check the date here"
    )
    assert said(new_server(ours, names, NOW + DAY)).startswith(
        "By this machine's clock the broker's certificate is not valid yet: most likely this clock is behind. A "
        "computer without a battery for its clock starts in the past until it reaches its time server, which takes no "
    )
    assert said(new_server(ours, names, NOW), "10.0.0.1").startswith("The broker's certificate is not for 10.0.0.1. ")
    assert said(new_server(ours, names, NOW), "other.local").startswith(
        "The broker's certificate is not for other.local. "
    )
    assert said(new_server(foreign, names, NOW)).startswith(
        "soak.local shows a certificate that this site's authority did not sign: it is another machine, "
    )
    assert said(foreign).startswith("soak.local shows a certificate that this site's authority did not sign")


def test_a_server_is_no_authority(tmp_path: Path) -> None:
    """Whoever steals the pages' key must not be able to sign a broker's certificate."""
    authority = new_authority(NOW)
    stolen = new_server(authority, ["pages.local"], NOW)
    forged = new_server(stolen, ["soak.local"], NOW)
    chain = Signed(forged.certificate, forged.key)
    context = server_context(tmp_path, chain)
    (tmp_path / "server.pem").write_bytes(forged.certificate_pem + stolen.certificate_pem)
    context.load_cert_chain(tmp_path / "server.pem", tmp_path / "server.key")
    with pytest.raises(ssl.SSLCertVerificationError):
        handshake(context, trusting(tmp_path, authority), "soak.local")


@pytest.mark.parametrize(
    ("problem", "said", "lasts"),
    [
        ("refused: Not authorized", "The broker refuses this login: the password is wrong, or the login was", True),
        ("refused: Bad user name or password", "The broker refuses this login", True),
        (ConnectionRefusedError(111, "Connection refused"), "Nobody answers: soak.local is there, but", False),
        (socket.gaierror(-2, "Name or service not known"), "The name soak.local is not known in this network (", False),
        (TimeoutError("timed out"), "Nobody answers (timed out).", False),
        ("refused: Server unavailable", "refused: Server unavailable.", False),
        (ssl.SSLError(1, "[SSL: WRONG_VERSION_NUMBER]"), "soak.local answers, but not as a broker with TLS", True),
    ],
)
def test_other_troubles_have_words_too(problem: BaseException | str, said: str, lasts: bool) -> None:
    found = trouble(problem, "soak.local")
    assert found.text.startswith(said)
    assert found.lasts is lasts
    assert found.todo


def test_nothing_is_renewed_before_its_last_third_and_everything_gets_a_new_key(place: Place) -> None:
    certificates.make_authority(place, NOW)
    assert set(certificates.renew(place, ["a.local"], NOW)) == {"broker", "pages"}
    assert certificates.renew(place, ["a.local"], NOW + 264 * DAY) == {}
    keys = {server: place.key(server).read_bytes() for server in ("broker", "pages")}
    why = "less than a third of its time was left"
    assert certificates.renew(place, ["a.local"], NOW + 266 * DAY) == {"broker": why, "pages": why}
    assert all(place.key(server).read_bytes() != key for server, key in keys.items())
    assert certificates.look(place.certificate("broker")).left(NOW) > 600 * DAY


def test_half_a_renewal_is_noticed_and_mended(place: Place) -> None:
    """A power cut between key and certificate: the broker would not start."""
    certificates.make_authority(place, NOW)
    certificates.renew(place, ["a.local"], NOW)
    place.key("broker").write_bytes(place.key("pages").read_bytes())
    assert certificates.renew(place, ["a.local"], NOW) == {"broker": "its key was not its own"}
    place.certificate("pages").write_text("half a")
    assert certificates.renew(place, ["a.local"], NOW) == {"pages": "what was there could not be read"}


@pytest.mark.parametrize("lost", ["ca", "next"])
def test_an_authority_whose_certificate_is_lost_stays_the_one_that_nodes_trust(place: Place, lost: str) -> None:
    certificates.make_authority(place, NOW)
    certificates.make_next_authority(place, NOW)
    trusted = place.ca.read_bytes()
    (place.authority / f"{lost}.pem").unlink()
    assert not certificates.make_authority(place, NOW)
    certificates.write_bundle(place)
    assert not certificates.make_next_authority(place, NOW)
    assert place.ca.read_bytes() == trusted


def test_a_key_of_which_nobody_was_told_is_made_again(place: Place) -> None:
    """The power went between the first key and its certificate."""
    certificates.make_authority(place, NOW)
    (place.authority / "ca.pem").unlink()
    place.ca.unlink()
    assert certificates.make_authority(place, NOW)


def test_keys_are_private_and_certificates_for_everybody(place: Place) -> None:
    certificates.make_authority(place, NOW)
    certificates.renew(place, ["a.local"], NOW)
    files = [file for file in place.etc.rglob("*") if file.is_file()]
    assert {str(file.relative_to(place.etc)): oct(file.stat().st_mode & 0o777) for file in files} == {
        "authority/ca.key": "0o600",
        "authority/ca.pem": "0o600",
        "tls/ca.pem": "0o644",
        "tls/broker.key": "0o640",
        "tls/pages.key": "0o640",
        "tls/broker.pem": "0o644",
        "tls/pages.pem": "0o644",
    }
    assert stat.S_IMODE(place.authority.stat().st_mode) == 0o700


def test_keys_that_came_from_elsewhere_are_closed_again(place: Place, tmp_path: Path) -> None:
    """A copy by a stick is open to everybody; the moved-over authority and keys stay what they are."""
    mosquitto = tmp_path / "mosquitto"
    (mosquitto / "conf.d").mkdir(parents=True)
    wanted = Setup(("collector.example",), free_port(), str(tmp_path / "no.pid"))
    set_up(place, mosquitto, wanted, NOW)

    def found() -> dict[str, tuple[str, bytes]]:
        kept = (file for file in place.etc.rglob("*") if file.is_file() and file.name != "lock")
        return {
            str(file.relative_to(place.etc)): (oct(file.stat().st_mode & 0o777), file.read_bytes()) for file in kept
        }

    before = found()
    assert {"tls/broker.key", "tls/pages.key", "authority/ca.key", "broker/acl"} <= before.keys()
    for name in before:
        (place.etc / name).chmod(0o644)
    set_up(place, mosquitto, wanted, NOW)
    after = found()
    assert {name: mode for name, (mode, _) in after.items()} == {name: mode for name, (mode, _) in before.items()}
    for name in ("tls/broker.key", "tls/pages.key", "authority/ca.key"):
        assert after[name] == before[name]


def test_an_authority_is_followed_by_another_while_both_are_trusted(place: Place, tmp_path: Path) -> None:
    certificates.make_authority(place, NOW)
    certificates.renew(place, ["a.local"], NOW)
    old_bundle = place.ca.read_bytes()
    assert certificates.make_next_authority(place, NOW + 3_400 * DAY)
    assert not certificates.make_next_authority(place, NOW + 3_400 * DAY)
    assert place.ca.read_bytes().startswith(old_bundle)

    def signer(at: datetime.datetime) -> bytes:
        return certificates.signing(place, at).certificate_pem

    assert signer(NOW + 3_580 * DAY) in old_bundle
    assert signer(NOW + 3_600 * DAY) not in old_bundle
    assert certificates.renew(place, ["a.local"], NOW + 3_600 * DAY) == dict.fromkeys(
        ("broker", "pages"), "another authority signs now"
    )
    seen = certificates.look(place.ca)
    assert seen.authority
    assert not seen.warns(NOW + 3_600 * DAY)

    # A node that trusts both takes what either signs.
    one, two = new_authority(NOW), new_authority(NOW)
    for signer_now in (one, two):
        server = server_context(tmp_path, new_server(signer_now, ["a.local"], NOW))
        handshake(server, trusting(tmp_path, one, two), "a.local")


def test_a_clock_that_cannot_be_right_makes_no_certificate(place: Place) -> None:
    with pytest.raises(BrokerError, match=r"^This machine's clock says 1970-01-01, which cannot be"):
        certificates.make_authority(place, datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC))


@pytest.mark.broker
def test_renewal_reaches_a_running_broker_and_throws_nobody_out(own_site: BrokerSite) -> None:
    place = own_site.place
    own_site.start()
    node = own_site.client("ce-1", own_site.enrol("ce-1")).ready()
    before = presented(HOST, own_site.port, str(place.ca))
    assert before == certificates.der(place, "broker")
    place.certificate("broker").write_bytes(
        new_server(certificates.signing(place, NOW), [HOST, "soakledger.test"], NOW - 300 * DAY).certificate_pem
    )
    done = CliRunner().invoke(command, ["--renew", "--etc", str(place.etc)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert done.output.startswith(
        "New certificate for the broker: its key was not its own.\nThe broker shows the new one.\nauthority  until "
    )
    assert presented(HOST, own_site.port, str(place.ca)) == certificates.der(place, "broker") != before
    assert node.ended == 0
    node.close()


def test_the_command_says_what_ends_and_what_to_do(place: Place) -> None:
    certificates.make_authority(place, NOW)
    certificates.renew(place, ["a.local"], NOW)
    (place.broker / "setup.json").write_text('{"names": ["a.local"]}')
    place.certificate("pages").write_bytes(
        new_server(certificates.signing(place, NOW), ["a.local"], NOW - 350 * DAY).certificate_pem
    )
    place.certificate("broker").write_bytes(
        new_server(certificates.signing(place, NOW), ["a.local"], NOW - 500 * DAY).certificate_pem
    )
    done = CliRunner().invoke(command, ["--etc", str(place.etc)], catch_exceptions=False)
    assert done.exit_code == 1
    authority, broker, pages = done.output.splitlines()
    assert authority.startswith("authority  until ")
    assert "ENDED on " in broker
    assert pages.endswith("47 days. It should have been renewed by itself: run `soakledger certificates --renew`.")
    done = CliRunner().invoke(command, ["--renew", "--new-authority", "--etc", str(place.etc)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    assert "A new authority was made; " in done.output


def standing(conditions: Conditions) -> dict[str, str]:
    return {each.code: each.subject for each in conditions.standing()}


@pytest.mark.broker
def test_the_collector_watches_files_and_what_the_broker_really_shows(own_site: BrokerSite) -> None:
    place = own_site.place
    own_site.start()
    moment = [NOW]
    settings = Settings(
        "Mill",
        BrokerSettings(HOST, own_site.port, ca_file=str(place.ca)),
        certificates=[str(place.certificate("broker")), str(place.certificate("pages"))],
    )
    conditions = Conditions(lambda: 0)
    watch = CertificateWatch(settings, conditions, lambda: moment[0])
    watch.look()
    assert standing(conditions) == {}
    assert [each.name.rpartition("/")[2] for each in watch.told()] == [
        "ca.pem",
        "broker.pem",
        "pages.pem",
        f"shown at {HOST}:{own_site.port}",
    ]
    moment[0] = NOW + 340 * DAY
    certificates.renew(place, [HOST], moment[0] - 2 * DAY / 24)  # on the disk; nobody told the broker
    watch.look()
    assert standing(conditions) == {"certificate-ending": f"shown at {HOST}:{own_site.port}"}
    moment[0] = NOW + 399 * DAY
    watch.look()
    assert standing(conditions) == {"certificate-ended": f"shown at {HOST}:{own_site.port}"}
    place.certificate("pages").unlink()
    moment[0] = NOW + 3_400 * DAY
    watch.look()
    assert standing(conditions)["authority-ending"] == str(place.ca)
    assert standing(conditions)["certificate-unreadable"] == str(place.certificate("pages"))
    moment[0] = NOW
    certificates.renew(place, [HOST], NOW)
    watch.look()
    assert standing(conditions) == {}


def test_the_brokers_user_can_pass_and_a_folder_that_was_there_keeps_its_mode(tmp_path: Path) -> None:
    for before, after in ((None, 0o751), (0o750, 0o751), (0o755, 0o755), (0o1777, 0o1777)):
        folder = tmp_path / str(before)
        if before is not None:
            folder.mkdir()
            folder.chmod(before)
        Place(folder).make()
        assert stat.S_IMODE(folder.stat().st_mode) == after
