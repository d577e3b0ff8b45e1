"""Pictures and sound in, an MP4 film out: H.264 and AAC, playable everywhere, its index at the front.

The encoders travel in the wheel of PyAV, the extra ``understave[film]``: 106 MB that only films need.
Pictures are numpy arrays (height, width, 3) of 8-bit RGB, one for each moment of a constant rate; handing out
the same array twice costs little.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from understave.acoustics.files import Samples
from understave.acoustics.tags import UNTAGGED, Tags
from understave.errors import MissingError, TakeError

if TYPE_CHECKING:
    from av import VideoFrame

Picture = NDArray[np.uint8]

_BT709 = 1
"""Code of the colours of high-definition television in ITU-T H.273, which players assume at these sizes."""
_TV_RANGE = 1


def check_film() -> None:
    """Raise MissingError where the extra that films need is not installed; to ask before any work is done."""
    try:
        import av  # noqa: F401
    except ImportError as error:
        raise MissingError(
            "A clip needs one more package (av, some 100 MB); install it with 'pip install understave[film]'."
        ) from error


def film_at(path: Path, begin: float, width: int, height: int) -> Callable[[float], Picture]:
    """Return what a film shows, as large as it fits into a size on black, at seconds after `begin`.

    Asked for in order of time. Before its first picture and after its last these stay. Raises TakeError where
    the file has no picture.
    """
    pictures = _shown_by(path, begin, width, height)
    first = next(pictures, None)
    if first is None:
        raise TakeError(f"{path.name} has no picture at that place; leave it out.")
    now, coming = first[1], next(pictures, None)

    def shown(second: float) -> Picture:
        nonlocal now, coming
        # A picture stands from its own time on; half a millisecond is for the rounding of times.
        while coming is not None and coming[0] <= begin + second + 0.0005:
            now, coming = coming[1], next(pictures, None)
        return now

    return shown


def _shown_by(path: Path, begin: float, width: int, height: int) -> Iterator[tuple[float, Picture]]:
    """Yield (second, picture) of a film from the last picture before `begin` on."""
    import av

    with av.open(str(path)) as film:
        if not film.streams.video:
            return
        stream = film.streams.video[0]
        film.seek(int(max(0.0, begin) * av.time_base))
        before = None
        for frame in film.decode(stream):
            second = float(frame.time or 0.0)
            if second <= begin:
                before = second, frame
                continue
            if before is not None:
                yield before[0], _fitted(before[1], width, height)
                before = None
            yield second, _fitted(frame, width, height)
        if before is not None:
            yield before[0], _fitted(before[1], width, height)


def _fitted(frame: VideoFrame, width: int, height: int) -> Picture:
    """Return a picture turned upright, as large as it fits, in the middle of black."""
    turns = round(getattr(frame, "rotation", 0) / 90) % 4
    wide, high = (frame.height, frame.width) if turns % 2 else (frame.width, frame.height)
    size = min(width / wide, height / high)
    wide, high = min(width, round(wide * size)), min(height, round(high * size))
    raw = (high, wide) if turns % 2 else (wide, high)
    picture = frame.reformat(width=raw[0], height=raw[1], format="rgb24").to_ndarray()
    found = np.zeros((height, width, 3), np.uint8)
    y, x = (height - high) // 2, (width - wide) // 2
    found[y : y + high, x : x + wide] = np.rot90(picture, turns)
    return found


def film_bytes(  # noqa: PLR0913
    pictures: Iterable[Picture],
    count: int,
    sound: Samples,
    rate: int,
    *,
    fps: int = 30,
    tags: Tags = UNTAGGED,
    progress: Callable[[float], None] | None = None,
) -> bytes:
    """Return an MP4 of `count` pictures at `fps` with stereo `sound` (frames, 2) within -1..1.

    The sound is cut or filled with silence to last just as long as the pictures. `progress` is called with
    the share done. Width and height must be even. Raises MissingError without the extra, or if this machine
    cannot encode.
    """
    check_film()
    import av

    tell = progress or (lambda share: None)
    with tempfile.TemporaryDirectory(prefix="understave-") as folder:
        path = Path(folder) / "film.mp4"
        try:
            # With its index in front a film begins to play before all of it has come.
            with av.open(str(path), "w", options={"movflags": "+faststart"}) as container:
                named = {"title": tags.title, "composer": tags.composer, "artist": tags.composer}
                container.metadata.update({k: v for k, v in named.items() if v})
                _encode(container, pictures, count, sound, rate, fps, tell)
        except av.FFmpegError as error:
            raise MissingError(
                f"The film cannot be encoded here ({error}); install the package av anew and try again."
            ) from error
        tell(1.0)
        return path.read_bytes()


def _encode(  # noqa: PLR0913
    container: object,
    pictures: Iterable[Picture],
    count: int,
    sound: Samples,
    rate: int,
    fps: int,
    tell: Callable[[float], None],
) -> None:
    import av
    from av.container import OutputContainer

    assert isinstance(container, OutputContainer)
    pieces = iter(pictures)
    picture = next(pieces)
    video = container.add_stream("libx264", rate=fps)
    video.height, video.width = picture.shape[:2]
    video.pix_fmt = "yuv420p"
    # A score is flat areas and sharp edges: this quality keeps staff lines clean in small files.
    video.options = {"crf": "20", "preset": "veryfast", "tune": "animation"}
    video.codec_context.colorspace = _BT709
    video.codec_context.color_primaries = _BT709
    video.codec_context.color_trc = _BT709
    video.codec_context.color_range = _TV_RANGE
    audio = container.add_stream("aac", rate=rate)
    audio.bit_rate = 160_000
    audio.layout = "stereo"

    samples = np.zeros((round(Fraction(count * rate, fps)), 2), np.float32)
    kept = sound[: len(samples)]
    samples[: len(kept)] = kept if kept.ndim == 2 else kept[:, None]
    samples = np.clip(samples, -1, 1)

    written = 0
    last: Picture | None = None
    encoded = None
    for number in range(count):
        if picture is not last or encoded is None:
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="rgb24")
            encoded = frame.reformat(format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG")
            last = picture
        encoded.pts, encoded.time_base = number, Fraction(1, fps)
        container.mux(video.encode(encoded))
        # Sound is muxed along with the pictures it belongs to, so that players need not look far ahead.
        until = round(Fraction((number + 1) * rate, fps))
        while written < until:
            block = samples[written : written + 1024]
            piece = av.AudioFrame.from_ndarray(np.ascontiguousarray(block.T), format="fltp", layout="stereo")
            piece.sample_rate = rate
            piece.pts, piece.time_base = written, Fraction(1, rate)
            container.mux(audio.encode(piece))
            written += len(block)
        if number % 15 == 0:
            tell(number / count)
        picture = next(pieces, picture)
    container.mux(video.encode(None))
    container.mux(audio.encode(None))
