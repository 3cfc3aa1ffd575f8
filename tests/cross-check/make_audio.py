"""Writes the same audio in many forms by independent writers.

Usage: python make_audio.py DIRECTORY   (needs numpy and soundfile from PyPI)

libsndfile (through soundfile) writes always; sox, ffmpeg and flac write what
they can where they are installed. The name of a file tells what a reader must
make of it (tests/independent_writers.rs):

    8-, 16-, 24-   the samples of reference-8, reference-16 or reference-24
    cut-16- ...    the same, but cut short
    lossy-         refused as lossy
    mono-          refused for its one channel
    other-         refused as not read

The references are the samples as little-endian 32-bit integers, left-justified
and interleaved. Seeds are fixed: the same versions write the same bytes.
"""

import pathlib
import shutil
import subprocess
import sys

import numpy as np
import soundfile

RATE = 96_000
FRAMES = 150_001  # odd, so that packets and pads do not fit


def signal():
    """Stereo with a steep spectrum, as of a record, and rare full-scale peaks."""
    random = np.random.default_rng(2026)
    white = random.standard_normal((FRAMES, 2))
    common = random.standard_normal((FRAMES, 1))
    # One pole at about 500 Hz makes packets of very different sizes compressible.
    mixed = common + 0.1 * white
    out = np.empty_like(mixed)
    state = np.zeros(2)
    for k in range(FRAMES):
        state = 0.97 * state + 0.03 * mixed[k]
        out[k] = state
    out *= 0.5 / np.abs(out).max()
    out[1000] = (1.0, -1.0)
    out[2000] = (-1.0, 1.0)
    out[3000:5000] = 0.0
    return out


def integers(real, bits):
    """Left-justified in 32 bits."""
    full = 2 ** (bits - 1)
    value = np.clip(np.round(real * full), -full, full - 1).astype(np.int64)
    return (value << (32 - bits)).astype(np.int32)


class Maker:
    def __init__(self, directory):
        self.directory = pathlib.Path(directory)
        self.directory.mkdir(parents=True, exist_ok=True)
        self.count = 0
        self.absent = []

    def path(self, name):
        return self.directory / name

    def sndfile(self, name, data, **arguments):
        try:
            soundfile.write(self.path(name), data, RATE, **arguments)
            self.count += 1
        except Exception as error:  # a build of libsndfile without that form
            self.path(name).unlink(missing_ok=True)
            self.absent.append(f"{name}: {error}")

    def run(self, name, *command, stdin=None, pipe=False):
        """Runs a writer; `pipe` collects its standard output in the file."""
        if shutil.which(command[0]) is None:
            self.absent.append(f"{name}: no {command[0]}")
            return
        target = self.path(name)
        source = open(stdin, "rb") if stdin else subprocess.DEVNULL
        if pipe:
            # A real pipe, so that the writer cannot seek back to its header.
            program = subprocess.Popen(command, stdin=source, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
            output, message = program.communicate()
            target.write_bytes(output)
            ok = program.returncode == 0
        else:
            done = subprocess.run([*command, str(target)], stdin=source, capture_output=True)
            message, ok = done.stderr, done.returncode == 0
        if ok:
            self.count += 1
        else:
            target.unlink(missing_ok=True)
            lines = message.decode(errors="replace").strip().splitlines()
            self.absent.append(f"{name}: {lines[-1] if lines else 'failed'}")


def main():
    make = Maker(sys.argv[1])
    real = signal()
    data = {bits: integers(real, bits) for bits in (8, 16, 24)}
    for bits, samples in data.items():
        samples.astype("<i4").tofile(make.path(f"reference-{bits}"))
    floats = {bits: samples / 2.0**31 for bits, samples in data.items()}

    # libsndfile
    for container, ending in (("WAV", "wav"), ("WAVEX", "wav"), ("RF64", "wav"), ("AIFF", "aiff"), ("CAF", "caf")):
        for endian in ("FILE", "LITTLE", "BIG"):
            if container in ("WAV", "WAVEX", "RF64") and endian != "FILE":
                continue
            stem = f"sndfile-{container.lower()}-{endian.lower()}"
            eight = "PCM_U8" if ending == "wav" else "PCM_S8"
            options = {"format": container, "endian": endian}
            make.sndfile(f"8-{stem}-{eight}.{ending}", data[8], subtype=eight, **options)
            make.sndfile(f"16-{stem}-PCM_16.{ending}", data[16], subtype="PCM_16", **options)
            for bits in (16, 24):
                for subtype in ("PCM_24", "PCM_32"):
                    make.sndfile(f"{bits}-{stem}-{subtype}.{ending}", data[bits], subtype=subtype, **options)
                for subtype in ("FLOAT", "DOUBLE"):
                    make.sndfile(f"{bits}-{stem}-{subtype}.{ending}", floats[bits], subtype=subtype, **options)
    for bits in (16, 24):
        make.sndfile(f"{bits}-sndfile.flac", data[bits], format="FLAC", subtype=f"PCM_{bits}")
        for width in (16, 20, 24, 32):
            if width >= bits:
                make.sndfile(f"{bits}-sndfile-alac-{width}.caf", data[bits], format="CAF", subtype=f"ALAC_{width}")
    for container, ending in (("WAV", "wav"), ("AIFF", "aiff"), ("CAF", "caf"), ("FLAC", "flac")):
        make.sndfile(f"mono-sndfile.{ending}", data[16][:, :1], format=container, subtype="PCM_16")
    for subtype in ("ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM"):
        make.sndfile(f"other-sndfile-{subtype}.wav", data[16], format="WAV", subtype=subtype)
    make.sndfile("other-sndfile-ULAW.aiff", data[16], format="AIFF", subtype="ULAW")
    make.sndfile("other-sndfile-ALAW.caf", data[16], format="CAF", subtype="ALAW")
    make.sndfile("other-sndfile.au", data[16], format="AU", subtype="PCM_16")
    make.sndfile("other-sndfile.w64", data[16], format="W64", subtype="PCM_16")
    make.sndfile("lossy-sndfile.mp3", floats[16][::2], format="MP3")
    make.sndfile("lossy-sndfile-vorbis.ogg", floats[16], format="OGG", subtype="VORBIS")
    soundfile_rate = 48_000
    try:
        soundfile.write(make.path("lossy-sndfile-opus.ogg"), floats[16][::2], soundfile_rate, format="OGG", subtype="OPUS")
        make.count += 1
    except Exception as error:
        make.absent.append(f"opus: {error}")

    # The others start from what libsndfile wrote.
    for bits in (16, 24):
        source = make.path(f"{bits}-sndfile-wav-file-PCM_{bits}.wav")
        raw = make.directory / f"source-{bits}.raw"
        packed = data[bits].astype("<i4").view(np.uint8).reshape(-1, 4)[:, 4 - bits // 8 :]
        packed.tofile(raw)

        def sox(name, *options, kind):
            make.run(name, "sox", "-D", str(source), *options, "-t", kind)

        def sox_pipe(name, *options, kind):
            make.run(name, "sox", "-D", str(source), *options, "-t", kind, "-", pipe=True)

        sox_forms = [(16, "signed-integer")] if bits == 16 else []
        sox_forms += [(24, "signed-integer"), (32, "signed-integer"), (32, "floating-point"), (64, "floating-point")]
        for width, encoding in sox_forms:
            options = ("-b", str(width), "-e", encoding)
            short = f"{width}{encoding[0]}"
            sox(f"{bits}-sox-{short}.wav", *options, kind="wav")
            sox_pipe(f"{bits}-sox-pipe-{short}.wav", *options, kind="wav")
            if encoding == "signed-integer":
                sox(f"{bits}-sox-{short}.aiff", *options, kind="aiff")
                sox_pipe(f"{bits}-sox-pipe-{short}.aiff", *options, kind="aiff")
            sox(f"{bits}-sox-{short}.aifc", *options, kind="aifc")

        def ffmpeg(name, *options):
            make.run(name, "ffmpeg", "-v", "error", "-y", "-i", str(source), *options)

        def ffmpeg_pipe(name, *options):
            make.run(name, "ffmpeg", "-v", "error", "-i", str(source), *options, "-", pipe=True)

        codecs = (["pcm_s16le"] if bits == 16 else []) + ["pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le"]
        for codec in codecs:
            ffmpeg(f"{bits}-ffmpeg-{codec}.wav", "-c:a", codec)
            ffmpeg(f"{bits}-ffmpeg-rf64-{codec}.wav", "-c:a", codec, "-rf64", "always")
            ffmpeg(f"{bits}-ffmpeg-bext-{codec}.wav", "-c:a", codec, "-write_bext", "1", "-metadata", "description=side A", "-metadata", "title=band")
            ffmpeg(f"{bits}-ffmpeg-{codec}.caf", "-c:a", codec)
            big = codec.replace("le", "be")
            ffmpeg(f"{bits}-ffmpeg-{big}.aiff", "-c:a", big)
            ffmpeg(f"{bits}-ffmpeg-{big}.caf", "-c:a", big)
            ffmpeg_pipe(f"{bits}-ffmpeg-pipe-{codec}.wav", "-c:a", codec, "-f", "wav")
        if bits == 16:
            ffmpeg("16-ffmpeg-sowt.aiff", "-c:a", "pcm_s16le", "-f", "aiff")
        alac = ("-c:a", "alac", "-sample_fmt", "s16p" if bits == 16 else "s32p")
        ffmpeg(f"{bits}-ffmpeg-alac.caf", *alac)
        ffmpeg(f"other-{bits}-ffmpeg-alac.m4a", *alac)
        ffmpeg(f"{bits}-ffmpeg.flac", "-c:a", "flac", "-sample_fmt", "s16" if bits == 16 else "s32")
        ffmpeg_pipe(f"{bits}-ffmpeg-pipe.flac", "-c:a", "flac", "-sample_fmt", "s16" if bits == 16 else "s32", "-f", "flac")
        ffmpeg(f"other-{bits}-ffmpeg-flac.ogg", "-c:a", "flac", "-sample_fmt", "s16" if bits == 16 else "s32")
        for level in ("-0", "-5", "-8"):
            make.run(f"{bits}-flac{level}.flac", "flac", "-s", level, "-c", str(source), pipe=True)
        # From a pipe of raw samples to a pipe: the length stays unknown.
        make.run(
            f"{bits}-flac-pipe.flac", "flac", "-s", "--force-raw-format", "--endian=little", "--sign=signed",
            "--channels=2", f"--bps={bits}", f"--sample-rate={RATE}", "-c", "-", stdin=raw, pipe=True,
        )
        raw.unlink()
        if bits == 16:
            for name, *options in (
                ("mp3.mp3", "-c:a", "libmp3lame", "-ar", "48000"),
                ("mp3.wav", "-c:a", "libmp3lame", "-ar", "48000"),
                ("mp3-plain.mp3", "-c:a", "libmp3lame", "-ar", "48000", "-id3v2_version", "0", "-write_xing", "0"),
                ("mp2.mp2", "-c:a", "mp2", "-ar", "48000"),
                ("aac.m4a", "-c:a", "aac"),
                ("aac-fast.m4a", "-c:a", "aac", "-movflags", "+faststart"),
                ("aac.aac", "-c:a", "aac"),
                ("aac.wav", "-c:a", "aac"),
                ("aac.caf", "-c:a", "aac"),
                ("vorbis.ogg", "-c:a", "libvorbis"),
                ("opus.opus", "-c:a", "libopus", "-ar", "48000"),
                ("opus.caf", "-c:a", "libopus", "-ar", "48000"),
                ("ac3.ac3", "-c:a", "ac3", "-ar", "48000"),
                ("wma.wma", "-c:a", "wmav2", "-ar", "48000"),
            ):
                ffmpeg(f"lossy-ffmpeg-{name}", *options)
            for name, *options in (
                ("vorbis.mka", "-c:a", "libvorbis"),
                ("adpcm.wav", "-c:a", "adpcm_ms"),
                ("wavpack.wv", "-c:a", "wavpack"),
                ("w64.w64", "-c:a", "pcm_s24le"),
                ("au.au", "-c:a", "pcm_s16be"),
            ):
                ffmpeg(f"other-ffmpeg-{name}", *options)

    for name in (
        "16-sndfile-wav-file-PCM_16.wav", "24-sndfile-wavex-file-PCM_24.wav", "16-sndfile-rf64-file-FLOAT.wav",
        "16-sndfile-aiff-file-PCM_24.aiff", "16-sndfile-caf-file-PCM_16.caf", "24-sndfile.flac", "16-flac-8.flac",
        "24-ffmpeg-pcm_s24le.wav", "16-sox-16s.wav",
    ):
        whole = make.path(name)
        if whole.exists():
            content = whole.read_bytes()
            make.path(f"cut-{name}").write_bytes(content[: int(len(content) * 0.613)])
            make.count += 1

    print(f"{make.count} files in {make.directory}")
    for line in make.absent:
        print(f"not made: {line}")


main()
