"""YAML 1.1 (https://yaml.org/spec/1.1/) has traps; each is refused or reads as one would expect."""

from __future__ import annotations

import pytest

from layoutgen.errors import InputError
from layoutgen.recipe.document import parse_document, path_text


def _refused(text: str | bytes) -> tuple[str, ...]:
    data = text.encode() if isinstance(text, str) else text
    with pytest.raises(InputError) as caught:
        parse_document(data, "r.yaml")
    return caught.value.problems


def test_lines_of_keys_and_values_are_kept() -> None:
    document = parse_document(b"a: 1\nb:\n  - c:\n      7\n", "r.yaml")
    assert document.data == {"a": 1, "b": ({"c": 7},)}
    assert document.key_lines["b", 0, "c"] == 3
    assert document.value_lines["b", 0, "c"] == 4
    assert document.sentence(("b", 0, "c"), "want 8, got 7")[1] == (
        "r.yaml:4: b[0].c: want 8, got 7"
    )


def test_what_is_missing_stands_on_the_line_of_what_should_hold_it() -> None:
    document = parse_document(b"a: 1\nb:\n  c: 1\n", "r.yaml")
    assert document.line_of(("b", "d", "e")) == 3


@pytest.mark.parametrize(
    "text, value",
    [
        ("1e6", "1e6"),  # YAML 1.1 wants a point and a sign in a float
        ("1.0e6", "1.0e6"),
        ("1.0e+6", 1e6),
        ("on", True),
        ("'on'", "on"),
        ("~", None),
        ("2024-01-01", "2024-01-01"),
        ("1/0", "1/0"),
        ("-3", -3),
    ],
)
def test_scalars_are_read_as_yaml_1_1_does(text: str, value: object) -> None:
    assert parse_document(f"a: {text}".encode(), "r.yaml").data["a"] == value


def test_a_key_is_text_even_where_yaml_reads_a_truth_value() -> None:
    assert parse_document(b"{on: 1, no: 2, 3: 4}", "r.yaml").data == {"on": 1, "no": 2, 3: 4}


@pytest.mark.parametrize("text", ["010", "0x1F", "1_000", "1:30", "1:30.5", "0b11"])
def test_numbers_in_other_bases_are_told(text: str) -> None:
    document = parse_document(f"a: {text}".encode(), "r.yaml")
    assert document.problems == [(1, f"r.yaml:1: a: want a plain decimal number, got {text}")]
    assert document.faulty == {("a",)}


def test_of_a_repeated_key_the_first_stands_and_both_lines_are_told() -> None:
    document = parse_document(b"a: 1\nb: {c: 1,\n  c: 2}\na:\n  d: 3\n", "r.yaml")
    assert document.data == {"a": 1, "b": {"c": 1}}
    assert [sentence for _, sentence in document.problems] == [
        "r.yaml:3: b.c: want the key once (first on line 2), got it again",
        "r.yaml:4: a: want the key once (first on line 1), got it again",
    ]


@pytest.mark.parametrize(
    "text, sentence",
    [
        ("", "r.yaml:1: want a mapping of keys, got an empty file"),
        ("# nothing\n", "r.yaml:1: want a mapping of keys, got an empty file"),
        ("- a\n- b\n", "r.yaml:1: want a mapping of keys, got a list"),
        ("just words", "r.yaml:1: want a mapping of keys, got 'just words'"),
        ("a: 1\n---\nb: 2\n", "r.yaml:2: want one document, got a second after '---'"),
        ("a: *x\n", "r.yaml:1: a: want the value written out, got the alias *x"),
        ("a: 1\n? [b, c]\n: 2\n", "r.yaml:2: want a plain word as key, got something else"),
        (b"a: 1\nb: \xff\n", "r.yaml:2: want UTF-8 text, got the byte FF"),
        ("a: 1\n".encode("utf-16"), "r.yaml:1: want UTF-8 text, got the byte FF"),
        (b"a: '" + b"x" * 5_000_000 + b"'",
         "r.yaml:1: want a recipe of at most 5000000 bytes, got 5000005"),
        ("a: " + "[" * 60 + "]" * 60, "r.yaml:1: a[0][0]: want at most 50 levels, got more"),
    ],
)  # fmt: skip
def test_text_that_is_no_recipe_is_refused(text: str | bytes, sentence: str) -> None:
    assert _refused(text) == (sentence,)


@pytest.mark.parametrize("text", ["a: [1, 2", "a: b: c", "a:\n\t- b", "a: 'b", "a: \x07"])
def test_text_that_is_no_yaml_is_refused_with_its_line(text: str) -> None:
    (sentence,) = _refused(text)
    assert sentence.startswith(("r.yaml:1: want ", "r.yaml:2: want "))


def test_a_million_brackets_do_not_exhaust_the_stack() -> None:
    # the parser has a limit of its own, which may come first
    (sentence,) = _refused("a: " + "[" * 1_000_000)
    assert "want at most 50 levels" in sentence or "maximum nesting depth" in sentence


def test_anchors_that_would_expand_to_a_billion_words_are_refused_before_they_do() -> None:
    # the classic: nine levels of nine references each
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 10)]
    assert _refused("\n".join(lines))[-1] == (
        "r.yaml:2: a1[0]: want the value written out, got the alias *a0"
    )


@pytest.mark.parametrize(
    "tag", ["!!python/object/apply:os.system", "!!binary", "!mine", "!!timestamp"]
)
def test_tags_are_refused(tag: str) -> None:
    document = parse_document(f"a: {tag} x".encode(), "r.yaml")
    assert document.problems == [(1, f"r.yaml:1: a: want a value without a tag, got {tag}")]


def test_a_byte_order_mark_is_no_part_of_the_first_key() -> None:
    assert parse_document("\ufeffa: 1\n".encode(), "r.yaml").data == {"a": 1}


def test_keys_with_odd_characters_are_quoted_in_a_path() -> None:
    assert path_text(("dies", "a b", 0, "at", 1)) == "dies.'a b'[0].at[1]"
