"""What happens in a simulated clinic as it should, one small step at a time and in any order."""

from __future__ import annotations

from collections.abc import Callable

from tests.simulated.world import World


def tick(world: World) -> bool:
    """The next tick that is due, perhaps a little late; a node that is down may start again instead."""
    node = min(world.nodes, key=lambda each: each.next_tick_ms)
    world.time.pass_ms(max(0, node.next_tick_ms - world.time.now_ms) + world.rng.choice((0, 0, 1, 7)))
    if not node.running:
        node.start()
        world.say(f"{node.name} starts, streams {[each.stream[:8] for each in node.streams[-len(node.basins) :]]}")
        return True
    node.tick()
    if world.tracing:
        taken = [(each.basin.name, len(each.sampled)) for each in node.streams[-len(node.basins) :]]
        world.say(f"{node.name} ticks, taken {taken}")
    return True


def write(world: World) -> None:
    if node := world.running():
        node.write()
        if world.tracing:
            world.say(f"{node.name} writes, {node.held()} held")


def converse(world: World) -> None:
    if node := world.running():
        node.converse()
        world.say(f"{node.name} converses")


def move(world: World) -> None:
    if wires := world.broker.movable():
        world.say(world.broker.move(world.rng.choice(wires)))


def move_many(world: World) -> None:
    for _ in range(world.rng.randrange(2, 12)):
        move(world)


def connect(world: World) -> None:
    clients = [node.client for node in world.nodes if node.running]
    if world.clinic.running:
        clients.append(world.clinic.client)
    for client in clients:
        if client.connection is None and world.rng.random() < 0.5:
            client.connect()
            world.say(f"{client.name} connects")


def notice(world: World) -> None:
    """Somebody finds out that a connection is gone."""
    for connection in world.broker.unnoticed():
        if world.rng.random() < 0.3:
            world.broker.notice(connection)
            world.say(f"the broker misses {connection.client.name}")
    for client in [node.client for node in world.nodes if node.running] + [world.clinic.client]:
        if client.connection is not None and client.connection.cut and world.rng.random() < 0.5:
            client.notice()
            world.say(f"{client.name} misses the broker")


def take(world: World) -> None:
    if not world.clinic.running:
        world.clinic.start()
        world.say("the collector starts")
    elif world.clinic.waiting:
        world.clinic.take(world.rng.randrange(1, 20))
        world.say(f"the collector takes; {len(world.clinic.waiting)} wait, {len(world.clinic.unsent)} receipts unsent")


def send(world: World) -> None:
    while world.clinic.running and world.clinic.unsent:
        world.clinic.send()
        world.say("the collector sends a receipt")


STEPS: dict[str, tuple[Callable[[World], object], int]] = {
    "tick": (tick, 10),
    "write": (write, 10),
    "converse": (converse, 8),
    "move": (move, 10),
    "move_many": (move_many, 8),
    "connect": (connect, 3),
    "notice": (notice, 2),
    "take": (take, 8),
    "send": (send, 5),
}
"""How often each is chosen, beside the others. A step that was a tick returns True."""
