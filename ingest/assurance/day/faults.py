"""Clips recorded with other settings than ingest.toml asks for. Pure.

Only what ingest.toml states is demanded, and only where the file says what it is: what a file
doesn't tell is no fault.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from ingest.media.facts import ClipFacts, ClipKind
from ingest.names import shown
from ingest.settings import DeviceSettings
from ingest.wording import rate

__all__ = ["set_wrong"]


def set_wrong(
    facts: ClipFacts, device: DeviceSettings | None, project_rate: Fraction | None
) -> tuple[str, ...]:
    """What of a clip is otherwise than asked, each as `29.97 fps instead of 23.976`.

    `project_rate`: frames a second of the production, asked of every camera that has no rate of
    its own in ingest.toml. Rates are compared as exact fractions.
    """
    return tuple(_told(facts, device, project_rate))


def _told(
    facts: ClipFacts, device: DeviceSettings | None, project_rate: Fraction | None
) -> Iterator[str]:
    if facts.kind is ClipKind.PICTURE:
        wanted = (device.frame_rate if device is not None else None) or project_rate
        if wanted is not None and facts.frame_rate is not None and not facts.variable_rate:
            if facts.frame_rate != wanted:
                yield f"{rate(facts.frame_rate)} fps instead of {rate(wanted)}"
        elif wanted is not None and facts.variable_rate:
            yield f"a varying frame rate instead of {rate(wanted)} fps"
    if device is None:
        return
    at_sensor, asked = facts.sensor_rate, device.sensor_rate
    if asked is not None and at_sensor is not None and at_sensor != asked:
        yield f"{rate(at_sensor)} fps at the sensor instead of {rate(asked)}"
    size = (facts.width, facts.height)
    if device.size is not None and None not in size and size != device.size:
        yield "{}x{} instead of {}x{}".format(*size, *device.size)
    if device.codec is not None and facts.codec is not None:
        said = f"{facts.codec} {facts.profile or ''}".strip()
        if _plain(device.codec) not in _plain(said):
            yield f"{shown(said)} instead of {shown(device.codec)}"
    bits = facts.bit_depth
    if facts.kind is ClipKind.SOUND:
        bits = next((track.bit_depth for track in facts.audio if track.bit_depth), None)
    if device.bit_depth is not None and bits is not None and bits != device.bit_depth:
        yield f"{bits} bit instead of {device.bit_depth}"
    if device.colour is not None and (facts.colour.transfer or facts.colour.primaries):
        said = f"{facts.colour.transfer or ''} {facts.colour.primaries or ''}"
        if _plain(device.colour) not in _plain(said):
            yield f"colour {shown(said.strip())} instead of {shown(device.colour)}"
    channels = sum(track.channels or 0 for track in facts.audio)
    heard_at_all = facts.kind in (ClipKind.PICTURE, ClipKind.SOUND)
    if heard_at_all and device.audio_channels not in (None, channels):
        yield f"{channels} sound channels instead of {device.audio_channels}"
    heard = next((track.sample_rate for track in facts.audio if track.sample_rate), None)
    if device.sample_rate is not None and heard is not None and heard != device.sample_rate:
        yield f"{heard} Hz instead of {device.sample_rate}"
    turned = facts.rotation or 0
    if facts.kind is ClipKind.PICTURE and device.rotation not in (None, turned):
        yield f"turned {turned} degrees instead of {device.rotation}"


def _plain(text: str) -> str:
    return "".join(character for character in text.casefold() if character.isalnum())
