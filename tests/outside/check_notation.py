"""Reads what `doublecheck convert` wrote with programs from outside, and compares it with the lick.

Usage: check_notation.py FOLDER, where each NAME.toml has a NAME.musicxml and a NAME.mid beside it.

The lick file is read here once more, from its description alone. The MusicXML is validated against
the published MusicXML 4.0 schema (in the package `musicxml`) and read by music21; the MIDI file is
read by mido. Every pitch, string, fret, start and length must agree.

Exit status: 0 all agree, 1 some do not, 77 a package is missing.
"""

import math
import pathlib
import re
import sys
import xml.etree.ElementTree
from fractions import Fraction

try:
    import tomllib
    import mido
    import music21
    import musicxml
    import xmlschema
except ImportError as missing:
    print(missing)
    sys.exit(77)

LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def midi_number(name):
    """C4 is 60 (scientific pitch notation, MIDI 1.0)."""
    letter, signs, octave = re.fullmatch(r"([A-G])([#b]*)(-?\d+)", name).groups()
    return 12 * (int(octave) + 1) + LETTERS[letter] + signs.count("#") - signs.count("b")


def harmonic(node):
    """Semitones above the open string of the harmonic over a fret, from the physics of the string:
    partial n has nodes at k/n of the length; the fret lies 1 - 2^(-fret/12) along it."""
    place = 1 - 2 ** (-node / 12)
    distance, partial = min(
        (round(abs(place - k / n), 2), n) for n in range(2, 7) for k in range(1, n) if math.gcd(k, n) == 1
    )
    assert distance <= 0.02, (node, distance)
    return round(12 * math.log2(partial))


def beats_of(step):
    beats = step["beats"]
    return Fraction(beats) if isinstance(beats, str) else Fraction(beats).limit_denominator(10**6)


def spans(lick, swing):
    """Start and end of every step as written, or as it sounds: swung, a step of a sixteenth or more that is written
    half-way through a quarter note begins where the first of the two eighths ends."""
    first, second = swing or (1, 1)
    starts, now = [], Fraction(0)
    for step in lick["steps"]:
        off_beat = now % 1 == Fraction(1, 2) and beats_of(step) >= Fraction(1, 4)
        starts.append(now - Fraction(1, 2) + Fraction(first, first + second) if off_beat else now)
        now += beats_of(step)
    return list(zip(starts, starts[1:] + [now]))


def expected(lick, swing=None):
    """Notes by string: start, end, string, fret, pitch, and the pitch reached by a bend or None.

    The moves of a string in a step divide the step evenly."""
    tuning = [midi_number(name) for name in lick.get("tuning", "E2 A2 D3 G3 B3 E4").split()]
    open_notes = [note + lick.get("capo", 0) for note in tuning]
    notes = []
    sounding = [None] * len(tuning)
    for step, (now, end) in zip(lick["steps"], spans(lick, swing)):
        length = end - now
        for index, mark in enumerate(step["frets"].split()):
            string, note = len(tuning) - index, open_notes[index]
            if mark == "x":
                sounding[index] = None
            elif mark == "=":
                sounding[index]["end"] = now + length
            else:
                stopped, signs = mark, []
                if "<" in mark:
                    stopped, touched = mark.rstrip(">").split("<")
                    base = int(stopped or 0)
                    pitch = note + base + harmonic(int(touched) - base)
                    fret = int(stopped or touched)
                    moves = []
                else:
                    first, *rest = re.split(r"([hpsb/\\])", mark)
                    fret, pitch = int(first), note + int(first)
                    moves = list(zip(rest[::2], map(int, rest[1::2])))
                current = dict(start=now, end=now + length, string=string, fret=fret, pitch=pitch, bend=None, via=None)
                notes.append(current)
                for order, (sign, to) in enumerate(moves, 1):
                    time = now + length * order / (len(moves) + 1)
                    if sign == "b":
                        current["bend"] = note + to
                        continue
                    current["end"] = time
                    current = dict(start=time, end=now + length, string=string, fret=to, pitch=note + to, bend=None, via=sign)
                    notes.append(current)
                sounding[index] = current
    return notes


def read_musicxml(path):
    score = music21.converter.parse(path, format="musicxml", forceSource=True)
    notes, last = [], {}
    for element in score.parts[0].flatten().notes:
        if isinstance(element, music21.harmony.ChordSymbol):
            continue
        chord = isinstance(element, music21.chord.Chord)
        members = element.notes if chord else [element]
        numbers = {
            # A bend is a kind of fret indication there, so the type has to be the very one.
            kind: [mark.number for mark in element.articulations if type(mark) is kind]
            for kind in (music21.articulations.StringIndication, music21.articulations.FretIndication)
        }
        strings, frets = numbers.values()
        assert len(members) == len(strings) == len(frets), (path, element, strings, frets)
        start = Fraction(element.offset)
        end = start + Fraction(element.duration.quarterLength)
        for member, string, fret in zip(members, strings, frets):
            tied = member.tie is not None and member.tie.type in ("stop", "continue")
            before = last.get(string)
            if tied and before and before["fret"] == fret and close(before["end"], start):
                before["end"] = end
                continue
            note = dict(start=start, end=end, string=string, fret=fret, pitch=member.pitch.midi)
            notes.append(note)
            last[string] = note
    tempo = next(iter(score.flatten().getElementsByClass(music21.tempo.MetronomeMark))).number
    return score, notes, tempo


def swing_in(path):
    """First and second eighth, as MusicXML 4.0 has them in its first `sound`; None where they are even."""
    sound = xml.etree.ElementTree.parse(path).find(".//sound")
    swing = sound.find("swing") if sound is not None else None
    return None if swing is None else tuple(int(swing.find(name).text) for name in ("first", "second"))


def close(a, b):
    """Equal to a thousandth of a beat: music21 rounds what is no simple fraction."""
    return abs(a - b) < Fraction(1, 1000)


def read_midi(path):
    """Notes by channel with the pitch at their end, bends counted."""
    song = mido.MidiFile(path)
    notes, open_notes, offset, reach, parameter = [], {}, {}, {}, {}
    tempo = None
    for track in song.tracks:
        ticks = 0
        for message in track:
            ticks += message.time
            now = Fraction(ticks, song.ticks_per_beat)
            if message.type == "set_tempo":
                tempo = mido.tempo2bpm(message.tempo)
            if message.type == "control_change":
                if message.control in (100, 101):
                    parameter.setdefault(message.channel, {})[message.control] = message.value
                elif message.control == 6 and parameter[message.channel] == {100: 0, 101: 0}:
                    reach[message.channel] = message.value
            elif message.type == "pitchwheel":
                offset[message.channel] = message.pitch / 8192 * reach.get(message.channel, 2)
            elif message.type == "note_on" and message.velocity > 0:
                begins = round(message.note + offset.get(message.channel, 0))
                key = (message.channel, message.note)
                assert key not in open_notes, (path, message)
                open_notes[key] = dict(start=now, pitch=begins)
            elif message.type in ("note_on", "note_off"):
                note = open_notes.pop((message.channel, message.note))
                note["end"] = now
                note["last"] = round(message.note + offset.get(message.channel, 0))
                notes.append(note)
    assert not open_notes, (path, open_notes)
    return notes, tempo


def as_midi(notes):
    """Notes as MIDI has them: a slide or bend belongs to the note it moves."""
    joined = []
    for note in notes:
        before = joined[-1] if joined else None
        if note["via"] in ("s", "/", "\\"):
            before["end"], before["last"] = note["end"], note["bend"] or note["pitch"]
        else:
            joined.append(dict(start=note["start"], end=note["end"], pitch=note["pitch"], last=note["bend"] or note["pitch"]))
    return joined


def compare(name, what, found, wanted, keys):
    """Prints the first differences; returns how many notes there were, or None."""
    order = lambda note: tuple(float(note[key]) for key in keys)
    found, wanted = sorted(found, key=order), sorted(wanted, key=order)
    same = len(found) == len(wanted) and all(
        close(one[key], other[key]) for one, other in zip(found, wanted) for key in keys
    )
    if not same:
        print(f"{name}: {what} differs: {len(found)} notes, {len(wanted)} wanted")
        for one, other in zip(found, wanted):
            if not all(close(one[key], other[key]) for key in keys):
                print("  found", {k: str(v) for k, v in one.items()})
                print("  wanted", {k: str(v) for k, v in other.items()})
                break
    return same


def schema():
    here = pathlib.Path(musicxml.__file__).parent / "generate_classes" / "musicxml_4_0.xsd"
    others = pathlib.Path(xmlschema.__file__).parent / "schemas"
    return xmlschema.XMLSchema(
        str(here),
        locations={
            "http://www.w3.org/XML/1998/namespace": str(others / "XML" / "xml.xsd"),
            "http://www.w3.org/1999/xlink": str(others / "XLINK" / "xlink.xsd"),
        },
        allow="local",
    )


def main():
    rules, good, n_notes = schema(), True, 0
    paths = sorted(pathlib.Path(sys.argv[1]).glob("*.toml"))
    for path in paths:
        name = path.stem
        lick = tomllib.loads(path.read_text(encoding="utf-8"))
        wanted = expected(lick)
        n_notes += len(wanted)
        for error in rules.iter_errors(str(path.with_suffix(".musicxml"))):
            print(f"{name}: not valid MusicXML 4.0: {error.path}: {error.reason}")
            good = False
        keys = ("start", "end", "string", "fret", "pitch")
        for suffix in (".musicxml", ".mxl"):
            score, found, tempo = read_musicxml(path.with_suffix(suffix))
            good &= compare(name, suffix, found, wanted, keys)
            if abs(tempo - lick["tempo"]) > 0.01:
                print(f"{name}: a tempo of {tempo} in {suffix}")
                good = False
        swing = tuple(map(int, lick["swing"].split(":"))) if "swing" in lick else None
        if swing_in(path.with_suffix(".musicxml")) != swing:
            print(f"{name}: swing differs, {swing} wanted")
            good = False
        found, tempo = read_midi(path.with_suffix(".mid"))
        wanted = as_midi(expected(lick, swing))
        good &= compare(name, "MIDI", found, wanted, ("start", "end", "pitch", "last"))
        if abs(tempo - lick["tempo"]) > 0.01:
            print(f"{name}: a tempo of {tempo} in MIDI")
            good = False
    print(f"{n_notes} notes of {len(paths)} licks compared")
    return 0 if good and n_notes > 0 else 1


if __name__ == "__main__":
    sys.exit(main())
