"""Files that somebody broke at random: never good, never a crash."""

import json
import random
import re
from typing import Any

import pytest
from sealed_bench import KEY

from logger.errors import RecordError
from logger.sealing.canonical import canonical, parse
from logger.sealing.page import check_told, page
from logger.sealing.seal import records_file
from logger.sealing.verify import Sealed, read_records
from logger.store import RecordRow

HOSTILE = [
    None, True, -1, 0, 5, 1e300, -0.5, 2**53 - 1, "", "x", "9" * 19, "-1", "\x1b[2J", "../../x", [], {}, [[]], [5],
    {"a": 1}, "ab" * 500,
]  # fmt: skip


def _places(values: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    inner = values.items() if isinstance(values, dict) else enumerate(values) if isinstance(values, list) else ()
    for step, value in inner:
        found += _places(value, (*path, step))
    return found


def _replaced(values: Any, path: tuple[Any, ...], new: Any) -> Any:
    changed = json.loads(json.dumps(values))
    place = changed
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = new
    return changed


@pytest.mark.parametrize("seed", range(4))
def test_a_flipped_byte_is_never_good(chain: list[RecordRow], seed: int) -> None:
    content = records_file(chain[:2])
    rng = random.Random(seed)
    for _ in range(100):
        broken = bytearray(content)
        broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
        with pytest.raises(RecordError):
            read_records(bytes(broken))


@pytest.mark.parametrize("seed", range(4))
def test_a_cut_or_doubled_stretch_is_never_good(chain: list[RecordRow], seed: int) -> None:
    content = records_file(chain[:2])
    rng = random.Random(seed)
    for _ in range(50):
        start, end = sorted(rng.sample(range(len(content)), 2))
        for broken in (content[:start] + content[end:], content[:end] + content[start:]):
            with pytest.raises(RecordError):
                read_records(broken)


@pytest.mark.parametrize("seed", range(4))
def test_a_value_replaced_anywhere_in_the_file_is_never_good(chain: list[RecordRow], seed: int) -> None:
    content = records_file(chain[:1])
    values = parse(content)
    places, rng = _places(values), random.Random(seed)
    for _ in range(100):
        changed = json.dumps(_replaced(values, rng.choice(places), rng.choice(HOSTILE))).encode()
        if canonical(parse(changed)) == content:  # the same value again
            continue
        with pytest.raises(RecordError):
            read_records(changed)


@pytest.mark.parametrize("seed", range(4))
def test_whatever_a_stranger_signed_is_shown_tame_or_refused(chain: list[RecordRow], seed: int) -> None:
    document = json.loads(chain[0].document)
    places = [
        path for path in _places(document) if path[0] in {"instrument", "sessions", "checks", "verdicts", "gauges"}
    ]
    rng, shown = random.Random(seed), 0
    for _ in range(60):
        changed = _replaced(document, rng.choice(places), rng.choice(HOSTILE))
        sealed = Sealed(document=changed, sha256="ab" * 32, key=KEY.public, certificate=None)
        try:
            lines = page(sealed, software="t")
        except RecordError as error:
            with pytest.raises(RecordError, match=re.escape(str(error))):
                check_told(sealed)
            continue
        check_told(sealed)
        shown += 1
        assert all(line.isprintable() and len(line) < 1000 for line in lines)
    assert 0 < shown < 60
