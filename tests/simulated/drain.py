"""The end of a simulation: nothing goes wrong any more, and everything must arrive."""

from __future__ import annotations

from firmware.conversation import STATE_EVERY_MS
from tests.simulated.world import World

MOST_ROUNDS = 150
"""Rounds after the last fault within which everything must have arrived."""

_ROUND_MS = 5_000


class DoesNotDrainError(AssertionError):
    """Faults have stopped, and something still waits."""


def drain(world: World) -> None:
    """No more faults: what is due happens in good order until nothing waits."""
    world.broker.loses = world.broker.repeats = 0.0
    for node in world.nodes:
        node.clock.set_right()
        if node.running:
            node.tick()
    for _ in range(MOST_ROUNDS):
        world.time.pass_ms(_ROUND_MS)
        quiet_round(world)
        if not (waits := what_waits(world)):
            break
    else:
        raise DoesNotDrainError(f"after {MOST_ROUNDS} rounds without a fault: {'; '.join(waits)}")
    world.time.pass_ms(STATE_EVERY_MS)  # what is lost of a stream that is being written, the next state tells
    quiet_round(world)


def quiet_round(world: World) -> None:
    """Everybody is there and does what is due."""
    if not world.clinic.running:
        world.clinic.start()
    for node in world.nodes:
        if not node.running:
            node.start()
        node.write()
    for connection in world.broker.unnoticed():
        world.broker.notice(connection)
    for client in [node.client for node in world.nodes] + [world.clinic.client]:
        client.notice()
        client.connect()
    for _ in range(3):
        all_arrives(world)
        for node in world.nodes:
            node.converse()
            node.write()
    world.say("a quiet round")


def all_arrives(world: World) -> None:
    """Until nothing is on any wire."""
    while wires := world.broker.movable():
        world.broker.move(wires[0])
        if world.clinic.waiting:
            world.clinic.take(500)
        while world.clinic.unsent:
            world.clinic.send()


def what_waits(world: World) -> list[str]:
    """What has not come to its end."""
    waits = [f"{node.name} holds {node.held()} readings" for node in world.nodes if node.held()]
    for node in world.nodes:
        told = [held.stream for held in node.outbox.streams()]
        old = [stream[:8] for stream in told if stream not in [each.stream for each in node.current()]]
        if old:
            waits.append(f"{node.name} still lists {', '.join(old)}")
    rows = world.clinic.look().execute("SELECT stream FROM stream WHERE over = 0").fetchall()
    current = {each.stream for node in world.nodes for each in node.current()}
    if still_open := [stream[:8] for (stream,) in rows if stream not in current]:
        waits.append(f"the collector still follows {', '.join(still_open)}")
    return waits
