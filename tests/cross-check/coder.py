"""Coders with losses, as they are, in a recording's past.

    coder.py GROOVELAG FOLDER_OF_PACKAGES WORK_FOLDER

Two of programme.py's pieces (licences there) are cut into simulated grooves, coded by the
encoders of ffmpeg and decoded again. `groovelag measure` must call each of them
"lossy-coder", and the grooves as they were not.
"""

import json
import pathlib
import subprocess
import sys

import soundfile

from programme import PIECES

RECIPE = """format = 1
name = "groove"
seed = 5
[programme]
kind = "wav"
file = "piece.wav"
duration_s = 20
peak_cm_s = 8
[capture]
radius_mm = 72
rpm = 33
sample_rate_hz = 44100
word = "int24"
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
crosstalk_right_into_left = [0.04, 0.0]
crosstalk_left_into_right = [0.03, 0.01]
[setup]
rotation_deg = {rotation}
[dirt]
snr_db = {snr}
noise_spectrum = "surface"
clicks_per_s = 0.3
"""
CODERS = [("libmp3lame", "mp3", 128), ("libmp3lame", "mp3", 192), ("aac", "m4a", 192), ("libopus", "opus", 128)]


def is_called_coded(program, file):
    said = subprocess.run([program, "measure", file, "--radius", "72", "--rpm", "33", "--json"],
                          capture_output=True, text=True)
    warnings = json.loads(said.stdout)["warnings"]
    return any(w["code"] == "lossy-coder" for w in warnings)


def main():
    program, packages, work = (pathlib.Path(a).resolve() for a in sys.argv[1:4])
    work.mkdir(parents=True, exist_ok=True)
    wrong = 0
    for (package, path, start, *_), rotation, snr in ((PIECES[0], 3.0, 30), (PIECES[2], 3.0, 55)):
        sound, rate = soundfile.read(packages / package / path, start=0)
        sound = sound[start * rate:(start + 20) * rate].mean(axis=1)
        soundfile.write(work / "piece.wav", sound, rate, subtype="PCM_16")
        (work / "recipe.toml").write_text(RECIPE.format(rotation=rotation, snr=snr))
        subprocess.run([program, "simulate", "recipe.toml", "-o", ".", "--force"], cwd=work, check=True,
                       capture_output=True)
        if is_called_coded(program, work / "groove.wav"):
            wrong += 1
            print(f"{path}: called coded as it is")
        for coder, ending, rate_kbit in CODERS:
            coded, decoded = work / f"coded.{ending}", work / "decoded.wav"
            quiet = ["ffmpeg", "-y", "-loglevel", "error", "-i"]
            subprocess.run([*quiet, work / "groove.wav", "-c:a", coder, "-b:a", f"{rate_kbit}k", coded], check=True)
            subprocess.run([*quiet, coded, "-ar", "44100", decoded], check=True)
            if not is_called_coded(program, decoded):
                wrong += 1
                print(f"{path}: {coder} at {rate_kbit} kbit/s is not found")
    if wrong:
        sys.exit(f"{wrong} wrong")
    print(f"{2 * len(CODERS)} coded recordings found, 2 others left alone")


if __name__ == "__main__":
    main()
