"""Codec, raster, scan, shape and colour of the picture."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from ingest.media.facts import ClipFacts, Colour, Disagreement
from ingest.media.opening import Track
from ingest.media.reading.demuxing import Demuxed
from ingest.media.reading.values import fraction, text, whole

__all__ = ["with_picture_format"]

_CODECS = {"AVC": "H.264", "JPEG": "MJPEG", "MPEG Video": "MPEG-2"}
_MPEG_1 = "Version 1"
_HDR = {"PQ": "PQ", "HLG": "HLG"}
"""The transfers of ITU-R BT.2100, as MediaInfo names them: HDR also where no more is said of it."""


def with_picture_format(
    facts: ClipFacts, track: Track, second: Demuxed | None, apart: list[Disagreement]
) -> ClipFacts:
    """The facts with what `track`, MediaInfo's of the picture, says of it: size in pixels, rotation
    in degrees clockwise.

    FFmpeg's values stand in for missing ones; size and scan that differ go to `apart`.
    """
    width, height = whole(track, "width"), whole(track, "height")
    if second and second.width and second.height:
        if width is None or height is None:
            width, height = second.width, second.height
        elif (width, height) != (second.width, second.height):
            own = f"{second.width}x{second.height}"
            values = {"header": f"{width}x{height}", "decoder": own}
            apart.append(Disagreement("size", values, "header"))
    codec = text(track, "format")
    version = text(track, "format_version") or ""
    if codec == "VC-3":
        codec = (text(track, "commercial_name") or "DNxHD").split()[0]
    elif codec == "MPEG Video" and version == _MPEG_1:
        codec = "MPEG-1"
    elif codec:
        codec = _CODECS.get(codec, codec)
    rotation = fraction(track, "rotation")
    return replace(
        facts,
        codec=codec or (second.codec if second else None),
        profile=text(track, "format_profile"),
        width=width,
        height=height,
        bit_depth=whole(track, "bit_depth") or (second.bit_depth if second else None),
        chroma=text(track, "chroma_subsampling"),
        scan=_scan(track, second, apart),
        rotation=round(rotation) % 360 if rotation is not None else None,
        display_aspect=_aspect(track, width, height),
        hdr=text(track, "hdr_format") or _HDR.get(text(track, "transfer_characteristics") or ""),
        colour=Colour(
            primaries=text(track, "color_primaries"),
            transfer=text(track, "transfer_characteristics"),
            matrix=text(track, "matrix_coefficients"),
            range=text(track, "color_range"),
        ),
    )


def _aspect(track: Track, width: int | None, height: int | None) -> Fraction | None:
    if not width or not height:
        return None
    shape = fraction(track, "pixel_aspect_ratio") or Fraction(1)
    # MediaInfo gives three decimals; pixel shapes are ratios of small numbers.
    return Fraction(width, height) * shape.limit_denominator(200)


def _scan(track: Track, second: Demuxed | None, apart: list[Disagreement]) -> str | None:
    """By the header; the decoder's word stands in, or makes it whole, or contradicts."""
    kind = text(track, "scan_type")
    first = {"TFF": "top", "BFF": "bottom"}.get(text(track, "scan_order") or "")
    header = None
    if kind == "Progressive":
        header = "progressive"
    elif kind is not None:
        header = f"interlaced, {first} field first" if first else "interlaced"
    decoder = second.scan if second else None
    if header is None or decoder is None:
        return header or decoder
    if header.startswith(decoder) or decoder.startswith(header):
        return max(header, decoder, key=len)
    apart.append(Disagreement("scan", {"header": header, "decoder": decoder}, "header"))
    return header
