"""`soakledger certificates`."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path

import click

from collector.broker import certificates
from collector.broker.certificates import SERVERS, Seen, look
from collector.broker.options import etc_option, one_line, utc_now
from collector.broker.place import Place, Setup
from collector.broker.telling import LOOPBACK, becomes, tell
from host.tls import presented, trouble

_WRONG = 1


@click.command()
@click.option("--renew", is_flag=True, help="Renew what has less than a third of its time left, each with a new key.")
@click.option(
    "--new-authority",
    is_flag=True,
    help="Make the authority that follows: a year before the present one ends, or when its key may be known.",
)
@etc_option
def command(etc: Path, *, renew: bool, new_authority: bool) -> None:
    """Say how long the certificates of broker, pages and authority last, or renew them.

    A timer runs `--renew` every day. The broker is told, and seen to show the new one; the pages take theirs within a
    minute; nodes notice nothing, for they trust the authority.

    The authority lasts ten years and is not renewed by itself, for every node must be given the new one:
    --new-authority makes it, and from then on both are trusted. Enrol every node again (`enrol`, `join`), and give
    DIR/tls/ca.pem to the browsers. It signs from 60 days before the end of the present one.

    Exit status 0: all is well. 1: something ends soon, or does not hold. 5: it could not be done.
    """
    with one_line("certificates"):
        place, now = Place(etc), utc_now()
        setup = place.setup()
        good = True
        if new_authority:
            with place.alone():
                made = certificates.make_next_authority(place, now)
            click.echo(
                f"{'A new authority was made' if made else 'There is a new authority already'}; {place.ca} holds both. "
                "Next: enrol every node again, and give that file to the browsers."
            )
        if renew:
            good = _renew(place, setup, now)
        good = _say_all(place, now) and good
        sys.exit(0 if good else _WRONG)


def _renew(place: Place, setup: Setup, now: datetime.datetime) -> bool:
    with place.alone():
        renewed = certificates.renew(place, setup.names, now)
        told = tell(setup) if "broker" in renewed else False
    for server, why in renewed.items():
        click.echo(f"New certificate for the {server}: {why}.")
    if not renewed:
        click.echo("Nothing had to be renewed.")
    if not told:
        return True  # nothing to tell, or a broker that does not run and reads it at its start
    problems = [""]
    good = becomes(lambda: _shows_ours(place, setup, problems))
    click.echo(
        "The broker shows the new one."
        if good
        else f"The broker does not show the new one: {problems[-1]} Run: systemctl restart mosquitto"
    )
    return good


def _shows_ours(place: Place, setup: Setup, problems: list[str]) -> bool:
    try:
        der = presented(LOOPBACK, setup.port, str(place.ca))
    except OSError as error:
        problems.append(trouble(error, LOOPBACK).text)
        return False
    problems.append("it still shows the one before.")
    return der == certificates.der(place, "broker")


def _say_all(place: Place, now: datetime.datetime) -> bool:
    seen = [("authority", look(place.ca)), *((server, look(place.certificate(server))) for server in SERVERS)]
    for name, each in seen:
        click.echo(f"{name:<9}  {_words(each, now)}")
    return not any(each.problem or each.warns(now) for _, each in seen)


def _words(seen: Seen, now: datetime.datetime) -> str:
    if seen.problem:
        return f"{seen.name} cannot be looked at ({seen.problem}). Run `soakledger broker-setup` again."
    days = seen.left(now).days
    if seen.left(now) < datetime.timedelta(0):
        lasts = f"ENDED on {seen.until:%Y-%m-%d}: it is refused. "
    else:
        lasts = f"until {seen.until:%Y-%m-%d}, {days} day{'' if days == 1 else 's'}. "
    if not seen.warns(now):
        return lasts.strip()
    if seen.authority:
        return lasts + "Run `soakledger certificates --new-authority`, then enrol every node again."
    return lasts + "It should have been renewed by itself: run `soakledger certificates --renew`."
