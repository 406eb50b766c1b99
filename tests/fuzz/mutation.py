"""Mutated copies of good inputs, drawn by hypothesis: text that is nearly TOML, bytes that are nearly an archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hypothesis import strategies as st

__all__ = ["TOML_VALUES", "mutated_bytes", "mutated_toml"]

_DEEP = 3_000

# Every type of TOML, and of each what programs stumble over.
TOML_VALUES: tuple[bytes, ...] = (
    b"0", b"-1", b"1", b"2", b"3.5", b"0.001", b"1000", b"1e6", b"1e300", b"-1e300", b"1e-300", b"5e-324", b"1e999",
    b"nan", b"-nan", b"inf", b"-inf", b"-0.0", b"9223372036854775808", b"-9223372036854775809", b"1" * 400,
    b"1" * 5_000, b"0x" + b"f" * 5_000, b"0b1" + b"0" * 4_000, b"true", b"false", b'""', b'"text"', b"'text'", b'"1"',
    b'"\\u0000"', b'"a\\nb"', b'"\\u001b[2J"', b'"\\u202e"', b'"' + b"x" * 50_000 + b'"', '"µ÷\U0001f600"'.encode(),
    b"1979-05-27T07:32:00Z", b"1979-05-27", b"07:32:00", b"9999-99-99", b"[]", b"[1]", b"[1, 2]", b"[2, 1]",
    b"[nan, 1]", b"[500, 10000, 3]", b"['a', 1]", b"{}", b"{a = 1}", b"[{}]", b"[[1]]", b"[" * _DEEP,
    b"[" * _DEEP + b"]" * _DEEP, b"{a=" * 500 + b"1" + b"}" * 500, b'"{intensity_a}"', b'"{intensity_ma:.1f}"',
    b'"{intensity_a:1000000000}"', b'"{intensity_ma:.300000000f}"', b'"{intensity_ma:0999999999.3f}"',
    b'"{intensity_ma.real}"', b'"{intensity_ma!r}"', b'"{intensity_ma[0]}"', b'"{"', b'"{}"', b'"}"',
    b'"{width_us:,}"', b'"{width_us:n}"', b'"{width_us:%}"', b'"{width_us:c}"', b'"{intensity_ma:{intensity_ma}}"',
    b'"\\n"', b'"\\r\\n"', b'"fixed"', b'"jump"', b'"study"', b'"plain"', b'"safety_factor"', b'"resistor"',
)  # fmt: skip
_LINES: tuple[bytes, ...] = (
    b"[device]", b"[device.daqmx]", b"[[axon]]", b"[axon]", b"a.b.c = 1", b'"\\u001b[2J" = 1', b'"a\\nb" = 1',
    b"a." * 2_000 + b"a = 1", b"[" + b"a." * 2_000 + b"a]", b'"' + b"k" * 20_000 + b'" = 1', b'"" = 1', b"=", b"# \x00",
    b"schema_version = 1.0", b"schema_version = true", b"schema_version = 0x" + b"f" * 5_000, b"[[[", b"\xff\xfe",
    b"kind = \"study\"", b"\xef\xbb\xbf", b"k = '''", b'k = """', b"options = {a = [1]}", b"options = {a = nan}",
)  # fmt: skip
_ENCODINGS: tuple[Callable[[bytes], bytes], ...] = (
    lambda data: b"\xef\xbb\xbf" + data,
    lambda data: data.decode("utf-8", "replace").encode("utf-16"),
    lambda data: data.decode("utf-8", "replace").encode("latin-1", "replace"),
    lambda data: data.replace(b"\n", b"\r\n"),
    lambda data: data.replace(b"\n", b"\r"),
    lambda data: data + b"\x00",
    lambda data: data + b"\n#" + b"x" * 2_000_000,
)


@st.composite
def mutated_toml(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    """A good file with one to four things done to it."""
    data = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(1, 4))):
        lines = data.split(b"\n")
        at = draw(st.integers(0, len(lines) - 1))
        what = draw(
            st.sampled_from(("value", "value", "value", "value", "drop", "double", "line", "move", "bytes", "all"))
        )
        if what == "value":
            # A line that has none is given to its neighbour.
            with_values = [k for k, line in enumerate(lines) if b"=" in line]
            if with_values:
                at = with_values[draw(st.integers(0, len(with_values) - 1))]
                lines[at] = lines[at].split(b"=", 1)[0] + b"= " + draw(st.sampled_from(TOML_VALUES))
        elif what == "drop":
            del lines[at]
        elif what == "double":
            lines.insert(at, lines[at])
        elif what == "line":
            lines.insert(at, draw(st.sampled_from(_LINES)))
        elif what == "move":
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
        data = b"\n".join(lines)
        if what == "bytes":
            data = draw(mutated_bytes([data]))
        elif what == "all":
            data = draw(st.sampled_from(_ENCODINGS))(data)
    return data


@st.composite
def mutated_bytes(draw: st.DrawFn, seeds: Sequence[bytes]) -> bytes:
    """A good file with bytes changed, left out, doubled or put in."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(1, 6))):
        if not data:
            break
        at = draw(st.integers(0, len(data) - 1))
        n = draw(st.sampled_from((1, 1, 1, 2, 4, 16, 400)))
        what = draw(st.sampled_from(("change", "change", "drop", "double", "put", "cut")))
        if what == "change":
            data[at : at + n] = draw(st.binary(min_size=1, max_size=n))
        elif what == "drop":
            del data[at : at + n]
        elif what == "double":
            data[at:at] = data[at : at + n]
        elif what == "put":
            data[at:at] = draw(st.sampled_from((b"\x00", b"\xff" * 4, b"\x7f\xff\xff\xff", b"PK\x03\x04", b"\n", b'"')))
        else:
            del data[at:]
    return bytes(data)
