"""The recipe in the documentation checks a record without any of this program's code."""

import subprocess
import sys
from pathlib import Path

import pytest
from sealed_bench import KEY, OTHER_KEY

from logger.sealing.seal import records_file
from logger.store import RecordRow

PAGE = Path(__file__).parents[2] / "docs" / "checking-a-record.md"


def _check(folder: Path, content: bytes, key: str) -> subprocess.CompletedProcess[str]:
    recipe = PAGE.read_text(encoding="utf-8").split("```python\n")[1].split("```")[0]
    (folder / "recipe.py").write_text(recipe, encoding="utf-8")
    (folder / "r.json").write_bytes(content)
    return subprocess.run(
        [sys.executable, "recipe.py", "r.json", key],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )


def test_a_good_chain(tmp_path: Path, chain: list[RecordRow]) -> None:
    done = _check(tmp_path, records_file(chain), KEY.public)

    assert done.stdout == f"good, up to {chain[-1].sha256}\n"


@pytest.mark.parametrize("fault", ["digit", "key", "cut"])
def test_a_bad_one(tmp_path: Path, chain: list[RecordRow], fault: str) -> None:
    content, key = records_file(chain), KEY.public
    if fault == "digit":
        content = content.replace(b'"value_nm":1190000', b'"value_nm":1190001', 1)
    elif fault == "key":
        key = OTHER_KEY.public
    else:
        content = records_file([chain[0], chain[2]])

    done = _check(tmp_path, content, key)

    assert (done.returncode, done.stdout) == (1, "")
