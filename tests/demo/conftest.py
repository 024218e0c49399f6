"""The example site, and a copy of it on free ports."""

from __future__ import annotations

import socket
from collections.abc import Callable

import pytest

from gateway.demo.control import demo_site_path
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site


@pytest.fixture(scope="session")
def archive() -> Site:
    return read_site(demo_site_path())


@pytest.fixture
def on_free_ports(archive: Site) -> Site:
    return moved(archive)


def free_ports(count: int) -> list[int]:
    """Ports that no one uses at this moment."""
    held = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    try:
        return [int(one.getsockname()[1]) for one in held]
    finally:
        for one in held:
            one.close()


def moved(site: Site) -> Site:
    ports = free_ports(len(site.controllers))
    controllers = {
        key: noun.model_copy(update={"port": port})
        for (key, noun), port in zip(site.controllers.items(), ports, strict=True)
    }
    return site.model_copy(update={"controllers": controllers})


@pytest.fixture
def column(archive: Site) -> Callable[[str], int]:
    """Column of `controller.point` in a block of the example site."""
    refs = [f"{key}.{name}" for key, noun in archive.controllers.items() for name in noun.points]
    return refs.index
