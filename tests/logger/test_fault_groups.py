"""Failed checks drawn together: where they are, from which size to which, and that none is lost."""

import pytest

from logger.fault_groups import places_words
from logger.sentences import several_sentence

Places = list[tuple[int | None, str | None]]


@pytest.mark.parametrize(
    ("places", "words"),
    [
        pytest.param([(3, None), (7, None), (8, None), (9, None)], "frets 3, 7 to 9", id="whole frets"),
        pytest.param([(3, "treble"), (11, "treble")], "frets 3, 11, treble", id="one place"),
        pytest.param(
            [(3, "bass"), (3, "treble"), (4, "bass"), (4, "treble")], "frets 3 to 4, bass and treble", id="two"
        ),
        pytest.param([(3, "treble"), (7, "bass"), (7, "treble")], "fret 3 (treble), fret 7 (bass, treble)", id="mixed"),
        pytest.param([(3, "treble"), (3, "treble")], "fret 3, treble", id="twice"),
        pytest.param([(None, None), (None, None)], "the wire", id="no fret"),
        pytest.param([(None, None), (3, None)], "the wire, fret 3", id="wire and fret"),
    ],
)
def test_where_several_faults_are(places: Places, words: str) -> None:
    assert places_words(places) == words


@pytest.mark.parametrize(
    ("values", "known", "unit", "size"),
    [
        pytest.param([0.06, 0.15], [0.008, 0.018], "mm", "0.060 to 0.150 mm (each ± 0.018 mm or better)", id="span"),
        pytest.param([0.15, 0.15], [0.008, 0.008], "mm", "0.150 mm (each ± 0.008 mm)", id="alike"),
        pytest.param([0.254, 0.508], [0.0254, 0.0254], "in", "0.0100 to 0.0200 in (each ± 0.0010 in)", id="inches"),
        pytest.param([0.06, 0.15], [0.008, None], "mm", "0.060 to 0.150 mm (not for all is the uncertainty known)",
                     id="not known"),
    ],
)  # fmt: skip
def test_from_which_size_to_which(values: list[float], known: list[float | None], unit: str, size: str) -> None:
    said = several_sentence("high_fret", "{where}: high by {size}", "frets 3, 7", values, known, unit=unit)
    assert said == f"frets 3, 7: high by {size}"
