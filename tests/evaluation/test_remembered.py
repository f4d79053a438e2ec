"""What was made before is made again only when what it is made of changed."""

from logger.evaluation.remembered import Remembered


def test_the_same_inputs_give_the_very_same_answer():
    known, one, other = Remembered(), [1], [2]

    first = known.once("sum", (one, other), lambda: [*one, *other])

    assert known.once("sum", (one, other), lambda: ["made again"]) is first == [1, 2]


def test_an_equal_but_other_input_is_another():
    known, one = Remembered(), [1]
    known.once("sum", (one,), lambda: "first")

    assert known.once("sum", ([1],), lambda: "second") == "second"
    assert known.once("sum", ([1], one), lambda: "third") == "third"
    assert known.once("sum", (), lambda: "fourth") == "fourth"


def test_what_is_given_is_told_apart_by_value():
    known, one = Remembered(), [1]
    known.once("sum", (one,), lambda: "first", given=(1, [2]))

    assert known.once("sum", (one,), lambda: "second", given=(1, [2])) == "first"
    assert known.once("sum", (one,), lambda: "second", given=(1, [3])) == "second"


def test_names_within_a_name_are_their_own():
    known = Remembered()
    known.once("sum", (), lambda: "outer")

    assert known.within("sound").once("sum", (), lambda: "inner") == "inner"
    assert known.within("sound").once("sum", (), lambda: "again") == "inner"
    assert known.once("sum", (), lambda: "again") == "outer"


def test_none_is_an_answer_that_is_remembered():
    known = Remembered()
    known.once("profile", (), lambda: None)

    assert known.once("profile", (), lambda: 1) is None
