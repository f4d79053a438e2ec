import pkgutil
import re
from importlib import import_module

import drivers
from drivers import errors


def test_every_public_name_is_there_and_in_order() -> None:
    assert drivers.__all__ == sorted(drivers.__all__)
    assert all(hasattr(drivers, name) for name in drivers.__all__)


def test_every_error_is_ours_and_public() -> None:
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, Exception)]

    assert all(issubclass(kind, drivers.DriverError) for kind in kinds)
    assert {kind.__name__ for kind in kinds} <= set(drivers.__all__)
    assert {kind.__name__ for kind in kinds} == {
        line.split()[0] for line in errors.__doc__.splitlines() if "Error" in line
    }


def test_no_pattern_needs_what_early_python_3_11_matches_wrongly() -> None:
    """Possessive quantifiers and atomic groups; CPython 3.11.0 to 3.11.4, python/cpython issues 100061 and 106052.

    With them ``12.34`` was read as 0.34 there, without any error.
    """
    modules = [import_module(found.name) for found in pkgutil.walk_packages(drivers.__path__, "drivers.")]
    patterns = [value for module in modules for value in vars(module).values() if isinstance(value, re.Pattern)]
    forbidden = re.compile(r"[*+?}]\+|\(\?>")

    sources = [
        pattern.pattern if isinstance(pattern.pattern, str) else pattern.pattern.decode() for pattern in patterns
    ]

    assert len(sources) >= 8
    assert [source for source in sources if forbidden.search(source)] == []
