"""A desk with its page, as a test asks it, without a browser and without a port."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from otdravg.serve.app import application
from otdravg.serve.desk import Desk, Setting
from otdravg.serve.guard import Guard, Keys

PORT = 4711
HOST = f"127.0.0.1:{PORT}"
SAMPLES = Path(__file__).parents[2] / "sample_traces"


def opened(
    folder: Path | None = None, given: Sequence[Path] = (), setting: Setting | None = None
) -> tuple[TestClient, Desk]:
    """Open the page in a folder of its own; the client has used the token."""
    home = folder or Path(tempfile.mkdtemp())
    dropped = home / "dropped"
    dropped.mkdir()
    desk = Desk(dropped, given, home / "decisions.csv", setting or Setting())
    keys = Keys()
    client = TestClient(Guard(application(desk), keys, PORT), base_url=f"http://{HOST}")
    client.get(f"/?token={keys.token}")
    client.headers["Origin"] = f"http://{HOST}"
    return client, desk


def drop(client: TestClient, *paths: Path) -> None:
    """Drop files under their names."""
    for path in paths:
        answer = client.put(f"/files/{path.name}", content=path.read_bytes())
        assert answer.status_code == 200, answer.text


def look(client: TestClient, desk: Desk) -> dict[str, Any]:
    """Measure and judge, and wait until it is done."""
    assert client.post("/look", json={}).status_code == 202
    desk.wait()
    return dict(client.get("/state").json())
