//! The same audio in every form gives identical samples, and every form that
//! cannot be measured is refused with its reason.

use crate::recordings;

use groovelag::capture::{CaptureError, ReadOptions, Recording, Stereo};
use groovelag::uncertainty::Level;
use recordings::*;
use sha2::{Digest, Sha256};

/// Forms whose description comes after the samples need a file that can seek.
fn streams(name: &str) -> bool {
    !name.contains("description last") && name != "ALAC"
}

#[test]
fn every_form_gives_the_same_samples() {
    let expected = planes(&samples(FRAMES));
    for (name, bytes) in forms(FRAMES) {
        for block in [1, 1009, 1 << 20] {
            let mut recording = open_bytes(&bytes, &ReadOptions::default())
                .unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_eq!(recording.sample_rate_hz(), 96_000, "{name}");
            let unknown = name.starts_with("FLAC, length");
            assert_eq!(
                recording.frames(),
                (!unknown).then_some(FRAMES as u64),
                "{name}"
            );
            assert!(
                read_all(&mut recording, block) == expected,
                "{name} in {block}"
            );
            assert_eq!(recording.position(), FRAMES as u64, "{name}");
            let codes: Vec<&str> = recording
                .caveats()
                .iter()
                .map(|c| c.code.as_str())
                .collect();
            match name.starts_with("CAF") && name.ends_with("unknown") {
                true => assert_eq!(codes, ["length-not-in-header"], "{name}"),
                false => assert!(codes.is_empty(), "{name}: {codes:?}"),
            }
        }
        if streams(&name) {
            let mut recording = open_dribs(&bytes, &ReadOptions::default())
                .unwrap_or_else(|e| panic!("{name}: {e}"));
            assert!(
                read_all(&mut recording, 1009) == expected,
                "{name} as a stream"
            );
            assert!(recording.caveats().is_empty(), "{name}");
        }
    }
}

#[test]
fn skipping_is_reading_without_looking() {
    let expected = planes(&samples(FRAMES));
    for (name, bytes) in forms(FRAMES) {
        let mut kinds = vec![open_bytes(&bytes, &ReadOptions::default())];
        if streams(&name) {
            kinds.push(open_dribs(&bytes, &ReadOptions::default()));
        }
        for recording in kinds {
            let mut recording = recording.unwrap();
            let mut block = Stereo::default();
            assert_eq!(recording.read(&mut block, 5).unwrap(), 5);
            assert_eq!(recording.skip(5000).unwrap(), 5000, "{name}");
            assert_eq!(recording.read(&mut block, 7).unwrap(), 7);
            assert_eq!(block.left, expected.left[5005..5012], "{name}");
            assert_eq!(
                recording.skip(u64::MAX).unwrap(),
                FRAMES as u64 - 5012,
                "{name}"
            );
            assert_eq!(recording.read(&mut block, 7).unwrap(), 0);
        }
    }
}

#[test]
fn every_width_that_hound_writes_is_read() {
    let expected = planes(&samples(FRAMES));
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    use hound::SampleFormat::{Float, Int};
    for (bits, sample_format) in [(16, Int), (24, Int), (32, Int), (32, Float)] {
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 96_000,
            bits_per_sample: bits,
            sample_format,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for sample in samples(FRAMES) {
            match sample_format {
                Int => writer
                    .write_sample(i32::from(sample) << (bits - 16))
                    .unwrap(),
                Float => writer.write_sample(f32::from(sample) / 32768.0).unwrap(),
            }
        }
        writer.finalize().unwrap();
        let mut recording = open_path(&path).unwrap();
        assert!(read_all(&mut recording, 4096) == expected, "{bits}");
        assert!(recording.caveats().is_empty());
    }
}

/// symphonia has readers of its own for these containers: a witness that the
/// files built by hand are what they are meant to be.
#[test]
fn the_decoder_library_agrees_about_the_containers() {
    use symphonia::core::audio::GenericAudioBufferRef;
    use symphonia::core::formats::TrackType;
    use symphonia::core::io::MediaSourceStream;
    let expected = planes(&samples(FRAMES));
    let mut seen = 0;
    for (name, bytes) in forms(FRAMES) {
        let source = Box::new(std::io::Cursor::new(bytes));
        let stream = MediaSourceStream::new(source, Default::default());
        let probed = symphonia::default::get_probe().probe(
            &Default::default(),
            stream,
            Default::default(),
            Default::default(),
        );
        // It does not read RF64 nor every width, and takes 24 bits in four bytes
        // without WAVE_FORMAT_EXTENSIBLE for three bytes.
        let Ok(mut format) = probed else { continue };
        if name == "WAV Integer(4) 24" {
            continue;
        }
        let Some(track) = format.first_track_known_codec(TrackType::Audio) else {
            continue;
        };
        let parameters = track
            .codec_params
            .as_ref()
            .unwrap()
            .audio()
            .unwrap()
            .clone();
        let codecs = symphonia::default::get_codecs();
        let Ok(mut decoder) = codecs.make_audio_decoder(&parameters, &Default::default()) else {
            continue;
        };
        let (mut left, mut right) = (Vec::new(), Vec::new());
        while let Ok(Some(packet)) = format.next_packet() {
            let Ok(decoded) = decoder.decode(&packet) else {
                break;
            };
            let mut both: Vec<Vec<f32>> = Vec::new();
            let decoded: GenericAudioBufferRef<'_> = decoded;
            decoded.copy_to_vecs_planar(&mut both);
            left.extend_from_slice(&both[0]);
            right.extend_from_slice(&both[1]);
        }
        left.truncate(FRAMES);
        right.truncate(FRAMES);
        assert!(left == expected.left && right == expected.right, "{name}");
        seen += 1;
    }
    assert!(seen >= 20, "{seen} forms were compared");
}

#[test]
fn eight_bits_are_offset_binary_in_wav_and_signed_elsewhere() {
    let unsigned = [0u8, 255, 128, 129, 64, 1];
    let expected = Stereo {
        left: vec![-1.0, 0.0, -0.5],
        right: vec![127.0 / 128.0, 1.0 / 128.0, -127.0 / 128.0],
    };
    let signed = unsigned.map(|byte| byte ^ 0x80);
    let wav = riff(&[
        chunk(b"fmt ", &fmt(1, 2, 48_000, 1, 8)),
        chunk(b"data", &unsigned),
    ]);
    let iff = |code: Option<&[u8; 4]>, data: &[u8]| {
        let form = if code.is_some() { b"AIFC" } else { b"AIFF" };
        let body = [
            iff_chunk(b"COMM", &comm(2, 3, 8, code)),
            iff_chunk(b"SSND", &ssnd(data)),
        ];
        aiff(form, &body)
    };
    let caf = caf(&[
        caf_desc(b"lpcm", 0, [2, 1, 2, 8]),
        caf_chunk(b"data", &[&[0; 4], &signed[..]].concat()),
    ]);
    for bytes in [wav, iff(None, &signed), iff(Some(b"raw "), &unsigned), caf] {
        let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(recording.bits(), Some(8));
        assert_eq!(read_all(&mut recording, 2), expected);
    }
}

#[test]
fn headers_without_a_length_are_read_to_the_end() {
    let expected = planes(&samples(FRAMES));
    let good = wav16(FRAMES);
    // What SoX writes is rounded down to whole frames; four bytes fit.
    for (riff_size, data_size) in [
        (0, 0u32),
        (36, 0),
        (0xffff_ffff, 0xffff_ffff),
        (0x7fff_f024, 0x7fff_f000),
        (0x8000_0024, 0x8000_0000),
        (0x7fff_ffff, 0x7fff_ffdb),
    ] {
        let mut bytes = good.clone();
        bytes[4..8].copy_from_slice(&u32::to_le_bytes(riff_size));
        bytes[40..44].copy_from_slice(&data_size.to_le_bytes());
        let mut file = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(file.frames(), Some(FRAMES as u64));
        assert!(read_all(&mut file, 4096) == expected, "{data_size:x}");
        let caveat = &file.caveats()[0];
        assert_eq!(
            (caveat.code.as_str(), caveat.level),
            ("length-not-in-header", Level::Note)
        );
        let mut stream = open_dribs(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(stream.frames(), None);
        assert!(read_all(&mut stream, 4096) == expected, "{data_size:x}");
        assert!(stream.caveats().is_empty());
    }
    // 24 bits: SoX rounds 0x7ffff000 down to a multiple of six.
    let mut bytes = riff(&[
        chunk(b"fmt ", &fmt(1, 2, 96_000, 3, 24)),
        chunk(b"data", &encode(&samples(FRAMES), Layout::Integer(3))),
    ]);
    bytes[40..44].copy_from_slice(&(0x7fff_f000u32 / 6 * 6).to_le_bytes());
    let mut stream = open_dribs(&bytes, &ReadOptions::default()).unwrap();
    assert_eq!(stream.frames(), None);
    assert!(read_all(&mut stream, 4096) == expected);
    // "ds64" of a recorder that was interrupted.
    let data = encode(&samples(FRAMES), Layout::Integer(2));
    let mut file = open_bytes(&rf64(b"RF64", &data, 0), &ReadOptions::default()).unwrap();
    assert!(read_all(&mut file, 4096) == expected);
}

#[test]
fn the_32_bit_size_holds_unless_it_refers_to_ds64() {
    let data = encode(&samples(FRAMES), Layout::Integer(2));
    let mut bytes = rf64(b"RF64", &data, data.len() as u64 / 2);
    let recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
    assert_eq!(recording.frames(), Some(FRAMES as u64 / 2));
    // 12 of RIFF, 36 of ds64, 24 of fmt, 4 of "data".
    bytes[76..80].copy_from_slice(&400u32.to_le_bytes());
    let recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
    assert_eq!(recording.frames(), Some(100));
}

#[test]
fn truncated_recordings_end_where_they_end() {
    let expected = planes(&samples(FRAMES));
    let all = FRAMES as u64;
    for (name, bytes) in forms(FRAMES) {
        // What these need stands at the end, or all that half of them has is metadata.
        if !streams(&name) || name.contains("unknown") || name.contains("metadata") {
            continue;
        }
        let cut = &bytes[..bytes.len() / 2 + 1];
        for (kind, recording) in [
            ("file", open_bytes(cut, &ReadOptions::default())),
            ("stream", open_dribs(cut, &ReadOptions::default())),
        ] {
            let mut recording = recording.unwrap();
            let read = read_all(&mut recording, 1000);
            let frames = read.left.len();
            // Plain samples to the last whole frame; FLAC to the last whole
            // packet, its 40 kB being some 10 packets.
            assert!(
                frames > FRAMES / 2 - 1100 && frames < FRAMES,
                "{name}: {frames}"
            );
            let whole = frames.min(FRAMES / 2 - 1100);
            assert_eq!(read.left[..whole], expected.left[..whole], "{name}");
            let codes: Vec<&str> = recording
                .caveats()
                .iter()
                .map(|c| c.code.as_str())
                .collect();
            assert!(
                codes.contains(&"truncated-file"),
                "{name} {kind}: {codes:?}"
            );
            let message = &recording.caveats()[0].message;
            assert!(message.contains(&all.to_string()), "{message}");
            if kind == "file" && !name.starts_with("FLAC") {
                assert_eq!(recording.frames(), Some(frames as u64), "{name}");
                assert!(message.contains(&frames.to_string()), "{name}: {message}");
            }
        }
    }
}

#[test]
fn odd_and_unknown_chunks_are_passed_over_and_text_is_kept() {
    let samples = samples(FRAMES);
    let mut bext = vec![0; 602];
    bext[..12].copy_from_slice(b"side A, mono");
    bext[320..330].copy_from_slice(b"2026-05-01");
    let before = [
        chunk(b"JUNK", &[7; 33]),
        chunk(b"bext", &bext),
        chunk(b"fmt ", &fmt(1, 2, 96_000, 2, 16)),
        chunk(b"odd!", b"x"),
        chunk(b"LIST", b"INFOISFT\x03\0\0\0rec\0"),
    ];
    let after = [
        chunk(b"cue ", &[1; 5]),
        chunk(b"iXML", b"<NOTE>band 3</NOTE>"),
    ];
    let data = chunk(b"data", &encode(&samples, Layout::Integer(2)));
    let padded = riff(&[&before[..], std::slice::from_ref(&data), &after[..]].concat());
    // A writer that forgets the pad bytes before the samples.
    let strip = |c: &Vec<u8>| match c[4] % 2 {
        1 => c[..c.len() - 1].to_vec(),
        _ => c.clone(),
    };
    let careless: Vec<Vec<u8>> = before.iter().map(strip).collect();
    let careless = riff(&[&careless[..], &[data], &after[..]].concat());
    for bytes in [padded, careless] {
        let mut file = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        let pairs: Vec<(&str, &str)> = file
            .metadata()
            .iter()
            .map(|(name, text)| (&name[..], &text[..]))
            .collect();
        let first = [
            ("bext description", "side A, mono"),
            ("bext origination date", "2026-05-01"),
            ("software", "rec"),
        ];
        assert_eq!(pairs[..3], first);
        assert_eq!(pairs[3..], [("iXML", "<NOTE>band 3</NOTE>")]);
        assert_eq!(file.frames(), Some(FRAMES as u64));
        assert!(read_all(&mut file, 4096) == planes(&samples));
        let mut stream = open_dribs(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(stream.metadata().len(), 3);
        assert!(read_all(&mut stream, 4096) == planes(&samples));
    }
}

#[test]
fn more_than_two_channels_need_a_choice() {
    let stereo = samples(FRAMES);
    let mut four = Vec::new();
    for frame in stereo.chunks(2) {
        four.extend_from_slice(&[1, frame[1], 2, frame[0]]);
    }
    let wav = |layout, container, tag| {
        let bits = 8 * container;
        let data = encode(&four, layout);
        riff(&[
            chunk(b"fmt ", &fmt(tag, 4, 96_000, container, bits)),
            chunk(b"data", &data),
        ])
    };
    let picks = |pair| ReadOptions {
        channels: Some(pair),
        ..ReadOptions::default()
    };
    for bytes in [
        wav(Layout::Integer(2), 2, 1),
        wav(Layout::Integer(3), 3, 1),
        wav(Layout::Float, 4, 3),
    ] {
        let asked = error(open_bytes(&bytes, &ReadOptions::default()));
        assert!(
            asked.contains("4 channels") && asked.contains("--channels"),
            "{asked}"
        );
        let mut recording = open_bytes(&bytes, &picks([4, 2])).unwrap();
        assert_eq!(recording.channels(), 4);
        assert!(read_all(&mut recording, 1000) == planes(&stereo));
        for wrong in [[0, 1], [1, 5], [3, 3]] {
            let message = error(open_bytes(&bytes, &picks(wrong)));
            assert!(message.contains("from 1 to 4"), "{message}");
        }
    }
    // Two channels can be exchanged, in packets too.
    let expected = planes(&stereo);
    for bytes in [
        wav16(FRAMES),
        flac(&stereo, FRAMES as u64, &[]),
        alac_caf(&stereo),
    ] {
        let mut recording = open_bytes(&bytes, &picks([2, 1])).unwrap();
        let read = read_all(&mut recording, 1000);
        assert!(read.left == expected.right && read.right == expected.left);
    }
}

fn error(result: Result<Recording, CaptureError>) -> String {
    match result {
        Ok(_) => panic!("this recording ought to be refused"),
        Err(error) => error.to_string(),
    }
}

/// Refused, by a message that names the file and holds all of `parts`.
fn refused(bytes: &[u8], parts: &[&str]) {
    let message = error(open_bytes(bytes, &ReadOptions::default()));
    assert!(message.starts_with("take: "), "{message}");
    for part in parts {
        assert!(message.contains(part), "'{part}' in: {message}");
    }
    // Streams may lack what a file has at its end, but refuse as well.
    let message = error(open_dribs(bytes, &ReadOptions::default()));
    assert!(message.starts_with("standard input: "), "{message}");
}

#[test]
fn what_cannot_be_measured_is_refused_with_the_reason() {
    let data = chunk(b"data", &[1; 48]);
    let wav = |fmt: Vec<u8>| riff(&[chunk(b"fmt ", &fmt), data.clone()]);
    refused(&wav(fmt(1, 1, 96_000, 2, 16)), &["one channel", "stereo"]);
    for (tag, name) in [
        (0x55, "MP3"),
        (0x50, "MPEG"),
        (0xff, "AAC"),
        (0x161, "Windows"),
        (0x674f, "Vorbis"),
    ] {
        refused(
            &wav(fmt(tag, 2, 96_000, 2, 16)),
            &[name, "joint-stereo", "record again"],
        );
        refused(
            &wav(fmt_extensible(tag, 2, 96_000, 2, 16)),
            &[name, "joint-stereo"],
        );
    }
    for (tag, name) in [
        (2, "ADPCM"),
        (6, "A-law"),
        (7, "mu-law"),
        (0x1234, "0x1234"),
    ] {
        refused(&wav(fmt(tag, 2, 96_000, 2, 16)), &[name, "export it"]);
    }
    for code in [b"aac ", b".mp3", b"opus"] {
        let file = caf(&[
            caf_desc(code, 0, [0, 1024, 2, 0]),
            caf_chunk(b"data", &[0; 40]),
        ]);
        refused(&file, &["in CAF", "joint-stereo"]);
    }
    for (code, what) in [(b"ulaw", "mu-law"), (b"ima4", "ADPCM"), (b"????", "'????'")] {
        let body = [
            iff_chunk(b"COMM", &comm(2, 12, 16, Some(code))),
            iff_chunk(b"SSND", &ssnd(&[0; 48])),
        ];
        refused(&aiff(b"AIFC", &body), &[what]);
        let file = caf(&[
            caf_desc(code, 0, [0, 64, 2, 0]),
            caf_chunk(b"data", &[0; 40]),
        ]);
        refused(&file, &[what]);
    }
    for rate in [0, 7_999, 768_001, u32::MAX] {
        refused(
            &wav(fmt(1, 2, rate, 2, 16)),
            &["sample rate", "8000 to 768000"],
        );
    }
    // Headers that contradict themselves.
    let mut odd = fmt(1, 2, 96_000, 2, 16);
    odd[12] = 5;
    refused(&wav(odd), &["5 bytes a frame", "contradicts"]);
    refused(&wav(fmt(1, 2, 96_000, 2, 24)), &["contradicts"]);
    refused(&wav(fmt(1, 0, 96_000, 2, 16)), &["0 channels"]);
    refused(&wav(fmt(1, 5000, 96_000, 2, 16)), &["5000 channels"]);
    refused(&wav(fmt(1, 2, 96_000, 5, 40)), &["integers of 5 bytes"]);
    refused(
        &wav(fmt(3, 2, 96_000, 2, 16)),
        &["floating point of 2 bytes"],
    );
    refused(&wav(vec![1, 0]), &["'fmt '"]);
    refused(&riff(std::slice::from_ref(&data)), &["'fmt '"]);
    refused(
        &riff(&[chunk(b"fmt ", &fmt(1, 2, 96_000, 2, 16))]),
        &["no samples"],
    );
    refused(
        &aiff(b"AIFF", &[iff_chunk(b"SSND", &ssnd(&[0; 8]))]),
        &["'COMM'"],
    );
    refused(&caf(&[caf_chunk(b"data", &[0; 8])]), &["'desc'"]);
    refused(b"fLaC\x80\0\0\x04abcd", &["34 bytes"]);
    refused(b"fLaC", &["metadata"]);
    refused(&alac_caf(&samples(50))[..100], &["damaged file"]);
}

#[test]
fn what_is_empty_is_refused() {
    let fmt = chunk(b"fmt ", &fmt(1, 2, 96_000, 2, 16));
    let body = [
        iff_chunk(b"COMM", &comm(2, 0, 16, None)),
        iff_chunk(b"SSND", &ssnd(&[])),
    ];
    for bytes in [
        Vec::new(),
        riff(&[fmt.clone(), chunk(b"data", b"")]),
        // Less than one frame.
        riff(&[fmt.clone(), chunk(b"data", &[1, 2])]),
        aiff(b"AIFF", &body),
        flac(&[], 0, &[]),
    ] {
        // A stream may tell only when it ends.
        for recording in [
            open_bytes(&bytes, &ReadOptions::default()),
            open_dribs(&bytes, &ReadOptions::default()),
        ] {
            let result = recording.and_then(|mut r| r.read(&mut Stereo::default(), 100));
            assert!(
                matches!(result, Err(CaptureError::Empty { .. })),
                "{result:?}"
            );
        }
    }
    // Closed properly, with text behind the samples that are not there.
    let text = chunk(b"LIST", b"INFOISFT\x04\0\0\0rec\0");
    let closed = riff(&[fmt, chunk(b"data", b""), text]);
    let message = error(open_bytes(&closed, &ReadOptions::default()));
    assert!(message.contains("no samples"), "{message}");
}

#[test]
fn other_files_are_told_by_their_first_bytes() {
    let lossy: [(&[u8], &str); 12] = [
        (b"ID3\x04\0\0\0\0\0\0\xff\xfb\x90\x64", "MP3"),
        (b"\xff\xfb\x90\x64\0\0\0\0", "MP3"),
        (b"\xff\xfd\x90\x64\0\0\0\0", "layer 2"),
        (b"\xff\xf1\x50\x80\0\0\0\0", "AAC"),
        (b"ADIF\0\0\0\0", "AAC"),
        (
            b"OggS\0\x02\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\x01\x1e\x01vorbis",
            "Vorbis",
        ),
        (
            b"OggS\0\x02\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\x01\x13OpusHead",
            "Opus",
        ),
        (b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "Windows Media"),
        (b"\x0b\x77\0\0", "AC-3"),
        (b"\x7f\xfe\x80\x01", "DTS"),
        (b"MPCK", "Musepack"),
        (
            b"OggS\0\x02\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\x01\x50Speex   ",
            "Speex",
        ),
    ];
    for (bytes, name) in lossy {
        refused(
            bytes,
            &[name, "lossy", "joint-stereo", "record again as WAV or FLAC"],
        );
    }
    let others: [(&[u8], &str); 12] = [
        (
            b"OggS\0\x02\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\x01\x33\x7fFLAC",
            "Ogg",
        ),
        (b"riff\x2e\x91\xcf\x11", "Wave64"),
        (b"RIFX\0\0\0\0WAVE", "big-endian"),
        (b"RIFF\0\0\0\0AVI LIST", "not WAV"),
        (b"%PDF-1.7", "PDF"),
        (b"PK\x03\x04", "unpack"),
        (b"format = 1\ntitle = \"side\"\n", "text"),
        ("Grüße, schöne".as_bytes(), "text"),
        (&[0; 600], "nothing but zeros"),
        (b"\x01\x02\x03\x04", "01 02 03 04"),
        (b"\xff\xd8\xff\xe0", "JPEG"),
        (b"wvpk", "WavPack"),
    ];
    for (bytes, name) in others {
        refused(bytes, &[name]);
    }
    let atom = |kind: &[u8; 4], body: &[u8]| {
        let mut bytes = (body.len() as u32 + 8).to_be_bytes().to_vec();
        bytes.extend_from_slice(kind);
        bytes.extend_from_slice(body);
        bytes
    };
    for (code, parts) in [
        (b"mp4a", ["AAC", "joint-stereo"]),
        (b"alac", ["ALAC", "nothing is lost"]),
        (b"Opus", ["Opus", "joint-stereo"]),
        (b"zzzz", ["MP4", "export it"]),
    ] {
        let entry = [&[0, 0, 0, 0, 0, 0, 0, 1][..], &atom(code, &[0; 28])].concat();
        let moov = atom(b"moov", &atom(b"trak", &atom(b"stsd", &entry)));
        let file = [
            atom(b"ftyp", b"M4A \0\0\0\0"),
            atom(b"mdat", &[9; 999]),
            moov,
        ]
        .concat();
        refused(&file, &parts);
    }
}

#[test]
fn paths_that_are_no_recordings() {
    let folder = tempfile::tempdir().unwrap();
    let message = error(open_path(folder.path()));
    assert!(message.contains("directory"), "{message}");
    let message = error(open_path(&folder.path().join("missing.wav")));
    assert!(
        message.contains("missing.wav") && message.contains("check the name"),
        "{message}"
    );
}

#[cfg(unix)]
#[test]
fn names_need_not_be_unicode() {
    use std::os::unix::ffi::OsStrExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder
        .path()
        .join(std::ffi::OsStr::from_bytes(b"Seite \xe4.wav"));
    if std::fs::write(&path, wav16(100)).is_err() {
        // Some file systems refuse such names themselves.
        return;
    }
    let mut recording = open_path(&path).unwrap();
    assert!(recording.name().ends_with("Seite \u{fffd}.wav"));
    assert_eq!(read_all(&mut recording, 1000).left.len(), 100);
}

#[cfg(unix)]
#[test]
fn a_named_pipe_is_a_stream() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&path).status();
    assert!(made.unwrap().success());
    let writer = {
        let path = path.clone();
        std::thread::spawn(move || std::fs::write(path, wav16(FRAMES)))
    };
    let mut recording = open_path(&path).unwrap();
    assert!(read_all(&mut recording, 1000) == planes(&samples(FRAMES)));
    writer.join().unwrap().unwrap();
}

#[test]
fn unusual_sample_rates_carry_a_caveat() {
    for (rate, code) in [
        (8_000, Some("low-sample-rate")),
        (32_000, Some("low-sample-rate")),
        (44_100, None),
        (192_000, None),
        (384_000, Some("high-sample-rate")),
    ] {
        let bytes = riff(&[
            chunk(b"fmt ", &fmt(1, 2, rate, 2, 16)),
            chunk(b"data", &[1; 8]),
        ]);
        let recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(recording.caveats().first().map(|c| c.code.as_str()), code);
    }
}

#[test]
fn samples_that_are_no_numbers_are_silenced_and_counted() {
    let values = [0.5f32, f32::NAN, f32::INFINITY, -0.5, 0.25, 0.125];
    let data: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
    let bytes = riff(&[
        chunk(b"fmt ", &fmt(3, 2, 96_000, 4, 32)),
        chunk(b"data", &data),
    ]);
    let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
    let read = read_all(&mut recording, 2);
    assert_eq!(
        (read.left, read.right),
        (vec![0.5, 0.0, 0.25], vec![0.0, -0.5, 0.125])
    );
    let caveat = &recording.caveats()[0];
    assert_eq!(
        (caveat.code.as_str(), caveat.level),
        ("non-finite-samples", Level::Serious)
    );
    assert!(
        caveat.message.starts_with("2 samples"),
        "{}",
        caveat.message
    );
}

/// A packet of an unknown kind of element, in the middle of others: silence, counted.
#[test]
fn damaged_packets_are_silenced_and_counted() {
    let samples = samples(FRAMES);
    let whole = alac_caf(&samples);
    let data = whole.windows(4).position(|w| w == b"data").unwrap();
    let mut bytes = whole.clone();
    // past the chunk's name, length and edit count: the kind is in the first three bits
    bytes[data + 16] = 0b0100_0000;
    let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
    let read = read_all(&mut recording, 1000);
    let expected = planes(&samples);
    assert_eq!(read.left.len(), expected.left.len());
    assert!(read.left != expected.left && read.left[0] == 0.0);
    let caveat = &recording.caveats()[0];
    assert_eq!(
        (caveat.code.as_str(), caveat.level),
        ("damaged-packets", Level::Serious)
    );
    assert!(
        caveat.message.starts_with("1 packets"),
        "{}",
        caveat.message
    );
}

/// A file without any number is called that, and a stream too.
#[test]
fn a_recording_of_no_numbers_is_called_that() {
    let riff_of = |values: &[f32]| {
        let data: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        riff(&[
            chunk(b"fmt ", &fmt(3, 2, 96_000, 4, 32)),
            chunk(b"data", &data),
        ])
    };
    let ended = |bytes: &[u8], dribs: bool| {
        let options = ReadOptions::default();
        let mut recording = match dribs {
            true => open_dribs(bytes, &options).unwrap(),
            false => open_bytes(bytes, &options).unwrap(),
        };
        let mut block = Stereo::default();
        loop {
            match recording.read(&mut block, 7) {
                Ok(0) => return None,
                Ok(_) => {}
                Err(error) => return Some(error.to_string()),
            }
        }
    };
    let nothing = riff_of(&[f32::NAN, f32::INFINITY].repeat(40));
    for dribs in [false, true] {
        let message = ended(&nothing, dribs).unwrap();
        assert!(message.contains("its samples are not numbers"), "{message}");
    }
    let one = [&[f32::NAN; 79][..], &[0.5]].concat();
    assert_eq!(ended(&riff_of(&one), false), None);
}

/// The MD5 in a FLAC header is that of its samples, or the recording is in doubt; zeros
/// stand for none.
#[test]
fn a_flac_checksum_that_disagrees_is_said() {
    let samples: Vec<i16> = (0..4000i32)
        .map(|k| (k * 7919 % 30_011 - 15_000) as i16)
        .collect();
    let of = |md5: [u8; 16]| {
        let mut bytes = flac(&samples, 2000, &[]);
        // after the signature, the block's head and 18 bytes of it (RFC 9639, 8.2)
        bytes[26..42].copy_from_slice(&md5);
        let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        read_all(&mut recording, 777);
        let caveat = recording.caveats().first().cloned();
        caveat.map(|c| (c.code.as_str().to_owned(), c.level))
    };
    // hashlib.md5 of Python 3 over the samples, little-endian
    let right = u128::from_str_radix("e7a7277defcddcb3a50d5b3d3e2442d0", 16).unwrap();
    let disagrees = Some(("checksum-disagrees".to_owned(), Level::Serious));
    assert_eq!(of(right.to_be_bytes()), None);
    assert_eq!(of((right ^ 1).to_be_bytes()), disagrees);
    assert_eq!(of([0; 16]), None);
}

/// White noise within a half either way, by Knuth's MMIX generator.
fn generator_of(mut state: u64) -> impl FnMut() -> f64 {
    move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / 16_777_216.0 - 0.5
    }
}

/// Samples without a header that are read in the wrong form are suspected, and in the right
/// one are not, whatever they are.
#[test]
fn raw_samples_in_the_wrong_form_are_suspected() {
    use std::f64::consts::TAU;
    let mut white = generator_of(1);
    // noise of a low-pass, white noise, tones up to near half of the rate, in both channels
    let mut low = 0.0;
    let mut programmes: Vec<Vec<f64>> = vec![
        (0..12_000)
            .map(|_| {
                low = 0.95 * low + 0.1 * white();
                low
            })
            .collect(),
        (0..12_000).map(|_| 0.3 * white()).collect(),
    ];
    for cycles in [0.01, 0.2, 0.25, 0.3, 0.45] {
        let tone = |k: i32| 0.3 * (TAU * cycles * f64::from(k)).sin() + 1e-4 * white();
        programmes.push((0..12_000).map(tone).collect());
    }
    let forms = ["s16le", "s24le", "s32le", "f32le", "f64le"];
    let mut other = generator_of(2);
    let programmes: Vec<Vec<f64>> = programmes
        .iter()
        .map(|p| p.iter().flat_map(|v| [*v, v + 1e-3 * other()]).collect())
        .collect();
    let stored = |programme: &[f64], form: &str| -> Vec<u8> {
        let bytes = |v: f64| -> Vec<u8> {
            let whole = (v * f64::from(1u32 << 31)) as i32;
            match form {
                "s16le" => whole.to_le_bytes()[2..].to_vec(),
                "s24le" => whole.to_le_bytes()[1..].to_vec(),
                "s32le" => whole.to_le_bytes().to_vec(),
                "f32le" => (v as f32).to_le_bytes().to_vec(),
                "f64le" => v.to_le_bytes().to_vec(),
                other => panic!("{other}"),
            }
        };
        programme.iter().copied().flat_map(bytes).collect()
    };
    let suspected = |bytes: &[u8], form: &str| {
        let options = ReadOptions {
            raw: Some(format!("{form},96000,2").parse().unwrap()),
            ..ReadOptions::default()
        };
        let mut recording = open_bytes(bytes, &options).unwrap();
        let mut block = Stereo::default();
        while let Ok(1..) = recording.read(&mut block, 1000) {}
        let mut caveats = recording.caveats().iter();
        let found = caveats.find(|c| c.code == "raw-misread");
        found.map(|c| c.message.clone())
    };
    for (k, programme) in programmes.iter().enumerate() {
        for form in forms {
            let right = suspected(&stored(programme, form), form);
            assert_eq!(right, None, "programme {k} as {form}");
        }
    }
    for form in forms {
        let bytes = stored(&programmes[0], form);
        for told in forms.iter().filter(|told| **told != form) {
            assert!(suspected(&bytes, told).is_some(), "{form} read as {told}");
        }
    }
    let mut swapped = stored(&programmes[0], "s24le");
    swapped.chunks_exact_mut(3).for_each(<[u8]>::reverse);
    let message = suspected(&swapped, "s24le").unwrap();
    assert!(message.contains("24-bit integer, big-endian"), "{message}");
}

#[test]
fn bits_that_ought_to_be_unused_are_noticed() {
    // 24 bits in four bytes, but justified to the right.
    let data: Vec<u8> = (1..=100i32)
        .flat_map(|v| (v * 1001).to_le_bytes())
        .collect();
    let bytes = riff(&[
        chunk(b"fmt ", &fmt(1, 2, 96_000, 4, 24)),
        chunk(b"data", &data),
    ]);
    let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
    read_all(&mut recording, 1000);
    assert_eq!(recording.caveats()[0].code, "unused-bits-in-use");
}

#[test]
fn raw_samples_are_read_as_described() {
    let samples = samples(FRAMES);
    let formats = [
        ("s16le,96000,2", Layout::Integer(2)),
        ("s24le,96000,2", Layout::Integer(3)),
        ("s32le,96000,2", Layout::Integer(4)),
        ("f32le,96000,2", Layout::Float),
        ("f64le,96000,2", Layout::Double),
    ];
    for (text, layout) in formats {
        let options = ReadOptions {
            raw: Some(text.parse().unwrap()),
            ..ReadOptions::default()
        };
        let bytes = encode(&samples, layout);
        let mut file = open_bytes(&bytes, &options).unwrap();
        assert_eq!(file.frames(), Some(FRAMES as u64));
        assert!(read_all(&mut file, 1000) == planes(&samples), "{text}");
        let mut stream = open_dribs(&bytes, &options).unwrap();
        assert!(read_all(&mut stream, 1000) == planes(&samples), "{text}");
        assert!(stream.caveats().is_empty());
        let headed = open_bytes(&wav16(100), &options).unwrap();
        assert_eq!(headed.caveats()[0].code, "raw-with-header");
    }
}

/// A recording can be read in a thread of its own.
#[test]
fn recordings_can_be_sent_to_threads() {
    fn sendable<T: Send>(_: &T) {}
    let mut recording = open_bytes(&wav16(FRAMES), &ReadOptions::default()).unwrap();
    sendable(&recording);
    let reader = std::thread::spawn(move || read_all(&mut recording, 1000));
    assert!(reader.join().unwrap() == planes(&samples(FRAMES)));
}

#[test]
fn the_hash_covers_every_byte_however_it_was_read() {
    let options = ReadOptions {
        hash: true,
        ..ReadOptions::default()
    };
    for (name, mut bytes) in forms(FRAMES) {
        // Bytes that no reader of samples looks at.
        bytes.extend_from_slice(&[3; 1001]);
        let expected: [u8; 32] = Sha256::digest(&bytes).into();
        for skip in [0, 5000, u64::MAX] {
            let mut recording = open_bytes(&bytes, &options).unwrap();
            recording.read(&mut Stereo::default(), 100).unwrap();
            recording.skip(skip).unwrap();
            if skip == 0 {
                read_all(&mut recording, 1000);
            }
            assert_eq!(recording.sha256().unwrap(), Some(expected), "{name} {skip}");
            assert_eq!(recording.read(&mut Stereo::default(), 100).unwrap(), 0);
        }
        if streams(&name) {
            let mut recording = open_dribs(&bytes, &options).unwrap();
            recording.skip(100).unwrap();
            assert_eq!(recording.sha256().unwrap(), Some(expected), "{name}");
        }
        let mut recording = open_bytes(&bytes, &ReadOptions::default()).unwrap();
        assert_eq!(recording.sha256().unwrap(), None);
    }
}

#[test]
fn a_failing_disk_is_an_error_and_not_an_end() {
    struct Failing(std::io::Cursor<Vec<u8>>);
    impl std::io::Read for Failing {
        fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
            match std::io::Read::read(&mut self.0, buffer)? {
                0 => Err(std::io::Error::other("the disk is gone")),
                got => Ok(got),
            }
        }
    }
    let samples = samples(FRAMES);
    for bytes in [wav16(FRAMES), flac(&samples, FRAMES as u64, &[])] {
        let half = bytes[..bytes.len() / 2].to_vec();
        let reader = Failing(std::io::Cursor::new(half));
        let mut recording =
            groovelag::capture::open_stream(reader, "take", &ReadOptions::default()).unwrap();
        let mut block = Stereo::default();
        let error = loop {
            match recording.read(&mut block, 1000) {
                Ok(got) => assert!(got > 0),
                Err(error) => break error.to_string(),
            }
        };
        assert!(
            error.contains("the disk is gone") && error.contains("frames"),
            "{error}"
        );
    }
}

#[test]
fn a_band_beyond_4_gib_is_found_in_rf64() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.wav");
    // 6 GiB of 16-bit stereo; the band begins at 5 GiB.
    let (frames, at) = (6 << 28, 5 << 28);
    sparse_rf64(&path, frames, at, &samples(FRAMES));
    let mut recording = open_path(&path).unwrap();
    assert_eq!(recording.frames(), Some(frames));
    assert_eq!(recording.skip(at).unwrap(), at);
    let mut block = Stereo::default();
    assert_eq!(recording.read(&mut block, FRAMES).unwrap(), FRAMES);
    assert!(block == planes(&samples(FRAMES)));
    assert!(recording.caveats().is_empty());
}

#[test]
fn a_plain_wav_beyond_4_gib_is_read_to_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wrapped.wav");
    let frames = (1u64 << 30) + 25_000;
    let mut header = wav16(0);
    // The size modulo 2^32, as a writer leaves it that did not look.
    header[40..44].copy_from_slice(&100_000u32.to_le_bytes());
    std::fs::write(&path, &header).unwrap();
    let file = std::fs::OpenOptions::new().write(true).open(&path).unwrap();
    file.set_len(44 + 4 * frames).unwrap();
    let recording = open_path(&path).unwrap();
    assert_eq!(recording.frames(), Some(frames));
    assert_eq!(recording.caveats()[0].code, "wrapped-length");
}
