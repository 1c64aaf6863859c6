"""A small job to work in tests: a van whose wheel lost a tooth, before and after its repair. Simulated."""

from __future__ import annotations

import io
import json

from click.testing import CliRunner
from PIL import Image

from witnessmark.cli import BAD_INPUT, main

VIN = "1M8GDM9AXKP042788"  # published: the worked example of 49 CFR 565's check digit
SCENARIO = """
title = "Van"
seed = SEED
duration_s = 1.8
[cranking]
attempts = [{ start_s = 0.3, end_s = 9.0 }]
[wheel]
layout = "60-2"
tdc_slot = 22.0
[sensor]
kind = "hall"
[sampling]
rate_hz = 50000.0
[[channel]]
role = "crank"
"""
LOST = '[[fault]]\nkind = "tooth-absent"\nslots = [23]\n'
SETUP = f'[vehicle]\ndescription = "a bakery\'s delivery van"\nvin = "{VIN}"\ncodes = ["P0336"]\n'


def picture(size=(320, 240), kind="JPEG", **more) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (90, 80, 70)).save(out, kind, **more)
    return out.getvalue()


def run(place, *args, **more):
    """A command of a case on the database at ``place``, written by R. Test."""
    environment = {"WITNESSMARK_CASES": str(place), "WITNESSMARK_BY": "R. Test"}
    return CliRunner().invoke(main, ["case", *map(str, args)], env=environment, **more)


def said(place, *args, **more) -> str:
    """What a command that must succeed prints."""
    result = run(place, *args, **more)
    assert result.exit_code == 0, result.output
    assert result.stderr == ""
    return result.stdout


def state(place, *args) -> dict:
    return json.loads(said(place, *args, "--json"))


def refused(place, *args, **more) -> str:
    """The one line of a refusal."""
    result = run(place, *args, **more)
    assert result.exit_code == BAD_INPUT, result.output
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert line.startswith("witnessmark: ")
    assert VIN not in line
    return line


def opened(place, *more) -> str:
    """The id of a fresh case."""
    return said(place, "new", "--complaint", "Cranks long, starts at the third try", *more).strip()


def worked(place, folder) -> str:
    """A whole job, from complaint to the closed case; returns its id. ``folder`` holds what ``made`` made."""
    case = opened(place, "--setup", folder / "van.setup", "--customer", "the bakery")
    said(place, "part", case, "Starter", "--earlier", "--who", "another shop")
    said(place, "add", "snapshot", case, folder / "scan.json", "--note", "before anything was cleared")
    said(place, "add", "recording", case, folder / "before.npz", "--setup", folder / "van.setup", "--note", "cold")
    said(place, "test", case)
    said(place, "disable", case, "injector fuse 12", "--why", "no fuel while barring")
    said(place, "outcome", case, 6, "1")
    said(place, "add", "photo", case, folder / "tooth.jpg", "--note", "Borescope: tooth 23 is gone (simulated)")
    said(place, "note", case, "Tooth 32 is gone", "--test", "look-at-the-tooth", "--outcome", "broken, bent")
    said(place, "correct", case, 10, "--set", "text=Tooth 23 is gone", "--why", "digits exchanged")
    said(place, "decide", case, "Fit another wheel", "--because", 8, "--because", 9)
    said(place, "part", case, "Crank trigger wheel", "--number", "60-2")
    said(place, "verify", case, folder / "after.npz")
    said(place, "restore", case, 7, "--how", "fuse seated, injectors click")
    said(place, "close", case, "Starts at once", "--cause", "trigger-wheel-tooth", "--target", "slot 23")
    return case


def made(folder):
    """What ``worked`` takes: two recordings, a setup, a photo with what a camera writes into it, a snapshot."""
    from witnessmark.simulate.run import write_simulation

    for name, seed, fault in (("before", 3, LOST), ("after", 4, "")):
        scenario = folder / f"{name}.toml"
        scenario.write_text(SCENARIO.replace("SEED", str(seed)) + fault, encoding="utf-8")
        write_simulation(scenario, folder / f"{name}.npz")
    (folder / "van.setup").write_text(SETUP, encoding="utf-8")
    exif = Image.Exif()
    exif[0x010F] = "SECRET CAMERA"
    exif[0x0112] = 6  # to be turned by a quarter
    (folder / "tooth.jpg").write_bytes(picture((400, 200), exif=exif))
    scan = {"schema": "somebody.scan/1", "units": [{"vin": VIN, "stored": ["P0336"], "rpm": 0.0}]}
    (folder / "scan.json").write_text(json.dumps(scan), encoding="utf-8")
    return folder
