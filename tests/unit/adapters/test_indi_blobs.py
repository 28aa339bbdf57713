"""The filter that takes binary contents out of an INDI stream, without any socket."""

import base64
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from polewright.adapters.indi.blobs import BlobFilter
from polewright.adapters.indi.snapshot import BlobSnapshot

BEFORE = (
    b"<setNumberVector device='Kudu' name='X'><oneNumber name='A'>1</oneNumber></setNumberVector>\n"
)
AFTER = b"<message device='Kudu' message='done'/>\n"
EMPTIED = b"<setBLOBVector device=\"Hoopoe\" name='CCD1' state='Ok'></setBLOBVector>"


def vector(content: bytes, *, attributes: str = "size='9' format='.fits'") -> bytes:
    return (
        b"<setBLOBVector device=\"Hoopoe\" name='CCD1' state='Ok'><oneBLOB name='CCD1' "
        + attributes.encode()
        + b">"
        + content
        + b"</oneBLOB></setBLOBVector>"
    )


def wrapped(data: bytes, *, width: int = 72) -> bytes:
    encoded = base64.b64encode(data)
    return b"\n" + b"\n".join(encoded[i : i + width] for i in range(0, len(encoded), width)) + b"\n"


def fed(stream: bytes, cuts: list[int] | None = None) -> tuple[bytes, list[BlobSnapshot]]:
    """Feed a stream cut at some places; return what is left and what was taken out."""
    blobs = BlobFilter()
    edges = [0, *sorted(cuts or []), len(stream)]
    rest = b"".join(blobs.feed(stream[a:b]) for a, b in pairwise(edges) if b > a)
    # A vector may hold nothing; no more than two wait.
    taken = [blob for _ in range(3) for blob in blobs.take("Hoopoe", "CCD1")]
    return rest, taken


@given(
    data=st.binary(max_size=400),
    cuts=st.lists(st.integers(0, 900), max_size=12),
    width=st.sampled_from([4, 71, 72, 76, 10_000]),
)
def test_contents_arrive_whole_and_the_rest_untouched_wherever_the_stream_is_cut(
    data: bytes, cuts: list[int], width: int
) -> None:
    content = wrapped(data, width=width)
    stream = BEFORE + vector(content, attributes=f"size='{len(data)}' format='.fits'") + AFTER
    rest, taken = fed(stream, [cut for cut in cuts if cut < len(stream)])
    assert rest == BEFORE + EMPTIED + AFTER
    (blob,) = taken
    assert (blob.data, blob.declared_size, blob.format) == (data, len(data), ".fits")
    assert (blob.device, blob.name, blob.element) == ("Hoopoe", "CCD1", "CCD1")
    assert not blob.truncated


@given(st.binary(max_size=300), st.lists(st.integers(0, 300), max_size=6))
def test_a_stream_without_frames_passes_unchanged(data: bytes, cuts: list[int]) -> None:
    stream = BEFORE + data.replace(b"<", b"") + AFTER
    assert fed(stream, [cut for cut in cuts if cut < len(stream)]) == (stream, [])


@given(st.binary(max_size=600))
def test_whatever_a_driver_sends_inside_a_vector_raises_nothing(data: bytes) -> None:
    fed(BEFORE + b"<setBLOBVector device='Hoopoe' name='CCD1'><oneBLOB name='x' " + data)
    fed(BEFORE + vector(data) + AFTER)


@pytest.mark.parametrize("empty", [vector(b""), vector(b"\n\n").replace(b"Ok", b"Ok")])
def test_an_empty_content_that_declares_a_size_is_delivered_as_cut_short(empty: bytes) -> None:
    """The library would read so many bytes from nowhere."""
    _, (blob,) = fed(empty)
    assert blob.data == b""
    assert blob.declared_size == 9
    assert blob.truncated


def test_an_element_without_any_content_is_an_empty_delivery() -> None:
    stream = (
        b"<setBLOBVector device='Hoopoe' name='CCD1'><oneBLOB name='CCD1' size='0'/>"
        b"</setBLOBVector>"
    )
    _, (blob,) = fed(stream)
    assert blob.data == b""


def test_a_state_without_elements_is_passed_on_and_delivers_nothing() -> None:
    busy = b"<setBLOBVector device='Hoopoe' name='CCD1' state='Busy'/>"
    rest, taken = fed(busy + AFTER)
    assert b"state='Busy'" in rest
    assert rest.endswith(b"</setBLOBVector>" + AFTER)
    assert taken == []


def test_half_a_frame_followed_by_other_messages_is_delivered_as_cut_short() -> None:
    """The driver went on without ending its frame: what follows is not lost."""
    whole = vector(wrapped(bytes(range(200))), attributes="size='200' format='.fits'")
    rest, (blob,) = fed(whole[: len(whole) // 2] + BEFORE + AFTER)
    assert rest == EMPTIED + BEFORE + AFTER
    assert 0 < len(blob.data) < 200
    assert blob.truncated
    assert bytes(range(200)).startswith(blob.data)


@pytest.mark.parametrize("missing", [20, 40, 56, 60, 66, 90, 110])
def test_a_new_frame_amid_a_broken_one_is_read(missing: int) -> None:
    """Broken in its end, its content, its element's tag, its own tag."""
    good = vector(wrapped(b"good"), attributes="size='4' format='.fits'")
    broken = vector(wrapped(b"much longer than that"), attributes="size='21'")
    _, taken = fed(broken[:-missing] + good)
    assert taken[-1].data == b"good"


def test_bytes_behind_the_declared_end_are_left_out_unless_packed() -> None:
    content = wrapped(b"123456789stray")
    _, (plain,) = fed(vector(content))
    _, (packed,) = fed(vector(content, attributes="size='9' format='.fits.z'"))
    assert plain.data == b"123456789"
    assert packed.data == b"123456789stray"


def test_names_with_entities_are_read_as_the_library_reads_them() -> None:
    stream = (
        b"<setBLOBVector device='Tom &amp; Kit' name='CCD1'><oneBLOB name='&lt;1>' size='1'>QQ=="
        b"</oneBLOB></setBLOBVector>"
    )
    blobs = BlobFilter()
    blobs.feed(stream)
    (blob,) = blobs.take("Tom & Kit", "CCD1")
    assert (blob.element, blob.data) == ("<1>", b"A")


def test_frames_that_nobody_asks_for_do_not_pile_up() -> None:
    _, taken = fed(b"".join(vector(wrapped(bytes([n]))) for n in range(50)))
    assert [blob.data for blob in taken] == [bytes([48]), bytes([49])]


def test_bytes_of_an_unfinished_frame_are_counted() -> None:
    blobs = BlobFilter()
    blobs.feed(vector(wrapped(bytes(3000)))[:2000])
    half = blobs.content_bytes
    assert 1500 < half < 2000
    blobs.feed(b"QUJD" * 100)
    assert blobs.content_bytes == half + 400
