"""A folder with a valid site file."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.plant.folders import SiteFolder


@pytest.fixture
def folder(tmp_path: Path) -> SiteFolder:
    return SiteFolder(tmp_path)
