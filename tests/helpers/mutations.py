"""Files that have gone wrong: good ones with bytes flipped, lost, doubled, and words put in that break readers."""

from collections.abc import Sequence

from hypothesis import strategies as st

#: What readers of text stumble over: extremes of numbers, brackets that never close, odd characters.
WORDS = (
    *(b"nan", b"-inf", b"inf", b"1e999", b"-1e-999", b"-0.0", b"9223372036854775808", b"0x" + 5000 * b"f", 5000 * b"9"),
    *(2000 * b"[", 500 * b'{"a":', b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", "\N{RIGHT-TO-LEFT OVERRIDE}".encode()),
    *(b'"""', b"'", b",", b"\r", b"\n", b"[[", b"]]", b" = ", b"true", b"null", b"1979-05-27T07:32:00Z", b'"E99"'),
)

_EDIT = st.one_of(
    st.tuples(st.just("flip"), st.integers(0, 7)),
    st.tuples(st.just("drop"), st.integers(1, 60)),
    st.tuples(st.just("double"), st.integers(1, 200)),
    st.tuples(st.just("put"), st.sampled_from(WORDS)),
    st.tuples(st.just("over"), st.sampled_from(WORDS)),
    st.tuples(st.just("put"), st.binary(min_size=1, max_size=4)),
    st.tuples(st.just("cut"), st.just(0)),
)


def mutated(seeds: Sequence[bytes]) -> st.SearchStrategy[bytes]:
    """Return a strategy of files that were one of ``seeds`` before 1 to 6 things happened to them."""
    where = st.floats(0.0, 1.0, exclude_max=True)
    return st.builds(_after, st.sampled_from(seeds), st.lists(st.tuples(where, _EDIT), min_size=1, max_size=6))


def _after(seed: bytes, edits: Sequence[tuple[float, tuple[str, int | bytes]]]) -> bytes:
    content = bytearray(seed)
    for share, (what, with_what) in edits:
        at = int(share * len(content))
        if isinstance(with_what, bytes):
            content[at : at + (len(with_what) if what == "over" else 0)] = with_what
        elif what == "flip" and content:
            content[at] ^= 1 << with_what
        elif what == "drop":
            del content[at : at + with_what]
        elif what == "double":
            content[at:at] = content[at : at + with_what]
        elif what == "cut":
            del content[at:]
    return bytes(content)
