"""Container images for tests, built for real wherever a Docker engine answers."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

# testcontainers' own helper for cleaning up would have to be pulled; what is built here is removed here
os.environ.setdefault("TESTCONTAINERS_RYUK_DISABLED", "true")


def docker_engine() -> Any:
    """A client of the Docker engine; skips the test where none answers, unless ROWRECKON_REQUIRE_DOCKER=1."""
    # by name: the repository's own folder docker/ is none of the type checker's business
    docker: Any = import_module("docker")
    try:
        client = docker.from_env(version="auto")
        client.ping()
    except docker.errors.DockerException as error:
        reason = f"no Docker engine answers ({error}); docker/start-engine brings one up"
        if os.environ.get("ROWRECKON_REQUIRE_DOCKER") == "1":
            pytest.fail(reason, pytrace=False)
        pytest.skip(reason)
    return client


def build(context: Path, dockerfile: str, tag: str) -> Iterator[str]:
    """An image, removed at the end unless ROWRECKON_KEEP_IMAGES=1."""
    from testcontainers.core.image import DockerImage

    keep = os.environ.get("ROWRECKON_KEEP_IMAGES") == "1"
    # host network: whatever this machine can fetch, the build can
    with DockerImage(
        path=context, dockerfile_path=dockerfile, tag=tag, clean_up=not keep, network_mode="host", forcerm=True
    ) as image:
        yield str(image)
