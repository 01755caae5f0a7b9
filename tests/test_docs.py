"""What a reader looks up is there: every public callable says what it takes and gives, and shows itself at work."""

import inspect
import re

import pytest

import metasense as ms


def own(kind: type, name: str):
    """A function of the package that is a public method of a class; None for anything else."""
    value = inspect.getattr_static(kind, name)
    value = getattr(value, "__func__", value)
    hidden = name.startswith("_") or name == "of" or name in getattr(kind, "_inside", ())  # `of`: from a pool's inside
    ours = inspect.isfunction(value) and value.__module__.startswith("metasense.")
    return value if ours and not hidden else None


def callables() -> dict[str, object]:
    """Every public function, class and method by its name; a method is listed once, where it is written."""
    found: dict[str, object] = {}
    for name in ms._FILE_OF:
        value = getattr(ms, name)
        if not callable(value):
            continue
        found[name] = value
        if inspect.isclass(value):
            methods = (own(value, method) for method in dir(value))
            found |= {method.__qualname__: method for method in methods if method is not None}
    return found


PUBLIC = callables()
METHODS = {name: value for name, value in PUBLIC.items() if inspect.isfunction(value)}


def section(value: object, title: str) -> str:
    """What stands under a heading of a docstring; empty where it has none."""
    text = inspect.getdoc(value) or ""
    found = re.search(rf"^{title}\n-{{{len(title)}}}\n(.*?)(?=^\w[\w ]*\n-{{3,}}\n|\Z)", text, re.DOTALL | re.MULTILINE)
    return found[1] if found else ""


def taken(function: object) -> list[str]:
    """Names of a function's arguments, with the stars that numpydoc gives them."""
    stars = {inspect.Parameter.VAR_POSITIONAL: "*", inspect.Parameter.VAR_KEYWORD: "**"}
    parameters = inspect.signature(function).parameters.values()
    return [stars.get(p.kind, "") + p.name for p in parameters if p.name not in ("self", "cls")]


def test_there_is_something_to_look_up():
    assert len(PUBLIC) > 250 and {"pool", "Pooled.rate", "Pool.plot", "Card.save", "_Rows.where"} <= set(PUBLIC)


@pytest.mark.parametrize("name", PUBLIC)
def test_every_public_callable_has_a_summary_and_an_example(name):
    text = inspect.getdoc(PUBLIC[name]) or ""
    assert re.match(r"\S.*[.:?]", text.split("\n\n")[0].replace("\n", " ")), f"{name} has no summary"
    assert ">>> " in section(PUBLIC[name], "Examples"), f"{name} has no example"


@pytest.mark.parametrize("name", METHODS)
def test_every_argument_is_described_with_its_type(name):
    described = section(PUBLIC[name], "Parameters")
    heads = re.findall(r"^(\*{0,2}\w.*?) ?(?::|$)", described, re.MULTILINE)
    named = {part.strip() for head in heads for part in head.split(",")}
    assert not set(taken(METHODS[name])) - named, f"{name} does not describe {set(taken(METHODS[name])) - named}"


@pytest.mark.parametrize("name", METHODS)
def test_what_is_given_back_is_named(name):
    stated = str(inspect.signature(METHODS[name]).return_annotation)
    if stated not in ("None", "NoReturn"):
        assert section(METHODS[name], "Returns").strip(), f"{name} does not say what it returns"


def test_no_argument_is_described_that_is_not_there():
    wrong = {}
    for name, function in METHODS.items():
        heads = re.findall(r"^(\*{0,2}\w[\w, *]*?) ?:", section(function, "Parameters"), re.MULTILINE)
        named = {part.strip() for head in heads for part in head.split(",")}
        if named - set(taken(function)):
            wrong[name] = named - set(taken(function))
    assert not wrong
