//! Pieces that several pages share.

use super::names::{Names, escaped, file_name};
use super::{Block, Section};
use crate::document::Program;
use crate::job::{CaptureDetails, Details, UnknownUpdate};
use crate::report::instruction::{Piece, Sentence, Situation, capitalised};
use crate::report::picture;
use crate::report::text;
use crate::uncertainty::{
    BudgetLine, Caveat, Conformity, DECIDED, Direction, Evaluation, Level, Quantity, Verdict,
    plain, rounded, rounded_u,
};
use std::fmt::Write as _;

/// Recordings whose pictures are shown; the others stand in the table alone.
const MOST_RECORDINGS: usize = 10;

/// Lines of a budget below this share are counted, not listed.
const SMALL_SHARE: f64 = 0.01;

/// Texts of a recording that are shown, and how much of each.
const MOST_TEXTS: usize = 30;
const MOST_CHARACTERS: usize = 200;

/// A number that the JSON document holds at `pointer`.
pub fn number(pointer: &str, value: f64, shown: &str) -> String {
    let shown = shown.replace('-', "\u{2212}");
    format!("<data value=\"{value}\" data-json=\"{pointer}\">{shown}</data>")
}

/// The size of a value, whose sign the words beside it tell.
pub fn size(pointer: &str, q: &Quantity) -> String {
    let shown = rounded(q.value.abs(), q.standard_uncertainty);
    number(&format!("{pointer}/value"), q.value, &shown)
}

/// The standard uncertainty of a value.
pub fn uncertainty(pointer: &str, q: &Quantity) -> String {
    let u = q.standard_uncertainty;
    number(&format!("{pointer}/standard_uncertainty"), u, &rounded_u(u))
}

/// A number multiplied by a hundred before it was rounded.
pub fn percent(pointer: &str, value: f64, decimals: usize) -> String {
    format!(
        "<data value=\"{value}\" data-json=\"{pointer}\" data-scale=\"100\">{}</data>",
        plain(100.0 * value, decimals)
    )
}

/// A probability; none that rounds to certainty is called so. The element holds
/// the whole number beside such words.
pub fn probability(pointer: &str, p: f64) -> String {
    if (0.001..=0.999).contains(&p) {
        format!("{} %", percent(pointer, p, 1))
    } else {
        number(pointer, p, &text::probability(p))
    }
}

/// A coverage in percent without idle zeros.
pub fn coverage(quantity: &Quantity) -> String {
    coverage_percent(quantity.interval.coverage)
}

pub use crate::report::text::coverage_percent;

/// The unit of angles, which are told with their direction in place of a sign.
const ANGLE: &str = "degrees";

/// "95 % band 0.7 to 5.3 degrees clockwise".
pub fn band(pointer: &str, q: &Quantity, unit: &str) -> String {
    let u = q.standard_uncertainty;
    let end =
        |key: &str, v: f64, shown: f64| number(&format!("{pointer}/{key}"), v, &rounded(shown, u));
    match unit {
        ANGLE => text::turn_band_as(q, |key, v| end(key, v, v.abs())),
        _ => text::band_as(q, unit, |key, v| end(key, v, v)),
    }
}

/// A value, its standard uncertainty and its band.
pub fn quantity(pointer: &str, q: &Quantity, unit: &str) -> String {
    // a blank before a unit, and none before no unit
    let spaced = if unit.is_empty() {
        String::new()
    } else {
        format!(" {unit}")
    };
    if q.standard_uncertainty == 0.0 {
        return format!(
            "{}{spaced} (taken as exact)",
            number(&format!("{pointer}/value"), q.value, &plain(q.value, 3))
        );
    }
    let (shown, way) = match unit {
        ANGLE => {
            let way = text::direction(Direction::of(q.value));
            (q.value.abs(), format!(" {way}"))
        }
        _ => (q.value, String::new()),
    };
    format!(
        "{}{spaced}{way}, standard uncertainty {}{spaced}, {}",
        number(
            &format!("{pointer}/value"),
            q.value,
            &rounded(shown, q.standard_uncertainty)
        ),
        number(
            &format!("{pointer}/standard_uncertainty"),
            q.standard_uncertainty,
            &rounded_u(q.standard_uncertainty)
        ),
        band(pointer, q, unit),
    )
}

/// What turned how far, as one sentence without its full stop.
pub fn turned(subject: &str, pointer: &str, q: &Quantity, at_the_arm: bool) -> String {
    let size = size(pointer, q);
    let to = if at_the_arm { " to the groove" } else { "" };
    match Direction::resolved(q) {
        Direction::NoneResolved => format!(
            "{subject} shows no significant rotation{to}: {size} degrees, {}, which contains zero",
            band(pointer, q, ANGLE)
        ),
        way => {
            let place = if at_the_arm {
                format!(" ({})", text::direction_at_the_arm(way))
            } else {
                String::new()
            };
            format!(
                "{subject} is turned <strong>{size} degrees {}</strong>{to}, seen from above{place}, {}",
                text::direction(way),
                band(pointer, q, ANGLE)
            )
        }
    }
}

/// "3.20 degrees clockwise", or the value with what it lacks.
pub fn turned_briefly(pointer: &str, q: &Quantity) -> String {
    let size = rounded(q.value.abs(), q.standard_uncertainty);
    let size = number(&format!("{pointer}/value"), q.value, &size);
    match Direction::resolved(q) {
        Direction::NoneResolved => {
            format!("<strong>{size} degrees</strong>, no direction resolved")
        }
        way => format!("<strong>{size} degrees {}</strong>", text::direction(way)),
    }
}

/// What a verdict on the stylus to the body means, as the end of a sentence.
pub fn verdict(pointer: &str, c: &Conformity) -> String {
    let tolerance = number(
        &format!("{pointer}/tolerance_deg"),
        c.tolerance_deg,
        &c.tolerance_deg.to_string(),
    );
    let probability = probability(&format!("{pointer}/probability"), c.probability);
    let word = match c.verdict {
        Verdict::Conforming => "it is <strong>within</strong> the tolerance of",
        Verdict::NonConforming => "it is <strong>outside</strong> the tolerance of",
        Verdict::Undecided => {
            "it is <strong>undecided</strong> whether it is within the tolerance of"
        }
    };
    format!("{word} {tolerance} degrees either way (probability of conformity {probability})")
}

/// What to do about a setup; `pointer` is where the document has the correction.
pub fn advice(pointer: &str, situation: &Situation<'_>) -> String {
    let instruction = situation.instruction();
    let html = |sentence: &Sentence| {
        let pieces = sentence.iter().enumerate().map(|(k, piece)| match piece {
            Piece::Words(words) if k == 0 => escaped(&capitalised(words)),
            Piece::Words(words) => escaped(words),
            Piece::Command(words) => escaped(words),
            Piece::Number { key, value, shown } => {
                number(&format!("{pointer}/{key}"), *value, shown)
            }
        });
        pieces.collect::<String>() + "."
    };
    let mut out = String::new();
    for warning in &instruction.before {
        let _ = writeln!(out, "<p class=\"note\">{}</p>", html(warning));
    }
    let _ = writeln!(
        out,
        "<p class=\"order\"><strong>{}</strong></p>",
        html(&instruction.reasoned())
    );
    if !instruction.after.is_empty() {
        out.push_str("<ul>\n");
        for how in &instruction.after {
            let _ = writeln!(out, "<li>{}</li>", html(how));
        }
        out.push_str("</ul>\n");
    }
    out
}

/// Cautions and what the figure is not, for every page about a stylus.
pub fn cautions() -> String {
    format!("<p class=\"note\">{}</p>\n", text::CAUTIONS)
}

/// The statement of conformity with what JCGM 106 asks to be told.
pub fn conformity(
    pointer: &str,
    at: &str,
    c: &Conformity,
    rotation: &Quantity,
    source: Option<&str>,
    of: &str,
) -> String {
    let u = rotation.standard_uncertainty;
    let expanded = match rotation.half_width() {
        Some(half) => format!(
            "U = {} degrees, coverage probability {} %, coverage factor k = {} (half the band over the standard uncertainty)",
            rounded_u(half),
            coverage(rotation),
            plain(half / u, 2)
        ),
        None => "the band is not finite".to_owned(),
    };
    let decided = plain(DECIDED, 2);
    let rule = format!(
        "Conforming if the probability of conformity is at least {decided}, non-conforming if it is at most {0}, undecided between them, so that no statement is wrong with a probability above {0}. No guard band beyond that; JCGM 106:2012, tolerance interval with two limits.",
        plain(1.0 - DECIDED, 2)
    );
    let risk = match c.verdict {
        Verdict::Conforming => format!(
            "{} that it does not conform, if what is assumed holds (specific consumer's risk)",
            text::probability(1.0 - c.probability)
        ),
        Verdict::NonConforming => format!(
            "{} that it conforms, if what is assumed holds (specific producer's risk)",
            text::probability(c.probability)
        ),
        Verdict::Undecided => "none: nothing is stated either way".to_owned(),
    };
    let word = c.verdict.word();
    let rows = [
        (
            "Tolerance",
            format!(
                "{} degrees either way; from: {}",
                number(
                    &format!("{at}/tolerance_deg"),
                    c.tolerance_deg,
                    &c.tolerance_deg.to_string()
                ),
                source.map_or_else(|| "not stated".to_owned(), escaped)
            ),
        ),
        (
            "Measured value",
            format!(
                "{} degrees {} seen from above",
                number(
                    &format!("{pointer}/value"),
                    rotation.value,
                    &rounded(rotation.value.abs(), u)
                ),
                text::direction(Direction::of(rotation.value))
            ),
        ),
        (
            "Standard uncertainty",
            format!(
                "{} degrees",
                number(&format!("{pointer}/standard_uncertainty"), u, &rounded_u(u))
            ),
        ),
        ("Expanded uncertainty", expanded),
        ("Decision rule", rule),
        (
            "Probability of conformity",
            probability(&format!("{at}/probability"), c.probability),
        ),
        ("Statement", format!("<strong>{word}</strong>")),
        ("Risk that the statement is wrong", risk),
    ];
    format!(
        "{}<p class=\"note\">This is evidence for a conversation with the supplier. The maker's own inspection, or a microscope, decides, where it sees the same angle: that of the playing edges under tracking force.</p>\n",
        facts(&format!("Conformity (JCGM 106){of}"), &rows)
    )
}

/// A table of two columns: what, and its value as HTML.
pub fn facts(caption: &str, rows: &[(&str, String)]) -> String {
    let mut out = format!(
        "<div class=\"table\"><table class=\"two\">\n<caption>{}</caption>\n<tbody>\n",
        escaped(caption)
    );
    for (what, value) in rows {
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\">{what}</th><td>{value}</td></tr>"
        );
    }
    out.push_str("</tbody>\n</table></div>\n");
    out
}

/// A table with a head; cells are HTML, the first of a row heads it.
pub fn table(caption: &str, head: &[&str], rows: &[Vec<String>]) -> String {
    let mut out = format!(
        "<div class=\"table\" role=\"region\" tabindex=\"0\" aria-label=\"{0}\"><table>\n<caption>{0}</caption>\n<thead><tr>",
        escaped(caption)
    );
    for h in head {
        let _ = write!(out, "<th scope=\"col\">{h}</th>");
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    for row in rows {
        out.push_str("<tr>");
        for (k, cell) in row.iter().enumerate() {
            let _ = match k {
                0 => write!(out, "<th scope=\"row\">{cell}</th>"),
                _ => write!(out, "<td class=\"n\">{cell}</td>"),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody>\n</table></div>\n");
    out
}

/// A budget as a table.
pub fn budget(pointer: &str, lines: &[BudgetLine], caption: &str) -> String {
    budget_in("degrees", pointer, lines, caption)
}

/// A budget in a unit.
pub fn budget_in(unit: &str, pointer: &str, lines: &[BudgetLine], caption: &str) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let (large, small): (Vec<_>, Vec<_>) = lines
        .iter()
        .enumerate()
        .partition(|(_, line)| line.share >= SMALL_SHARE || line.evaluation == Evaluation::A);
    let mut rows: Vec<Vec<String>> = large
        .iter()
        .map(|(k, line)| {
            vec![
                escaped(&line.source),
                line.evaluation.word().to_owned(),
                number(
                    &format!("{pointer}/{k}/standard_uncertainty"),
                    line.standard_uncertainty,
                    &rounded_u(line.standard_uncertainty),
                ),
                percent(&format!("{pointer}/{k}/share"), line.share, 1),
            ]
        })
        .collect();
    if !small.is_empty() {
        rows.push(vec![
            format!("{} smaller ones together", small.len()),
            String::new(),
            rounded_u(
                small
                    .iter()
                    .map(|(_, l)| l.standard_uncertainty.powi(2))
                    .sum::<f64>()
                    .sqrt(),
            ),
            plain(100.0 * small.iter().map(|(_, l)| l.share).sum::<f64>(), 1),
        ]);
    }
    table(
        caption,
        &[
            "Contribution",
            "type",
            &format!("standard uncertainty / {unit}"),
            "share of the variance / %",
        ],
        &rows,
    )
}

/// Doubts, the most serious first.
pub fn caveats(list: &[Caveat], names: &Names) -> String {
    if list.is_empty() {
        return "<p>None.</p>\n".to_owned();
    }
    let mut out = String::from("<ul>\n");
    for alike in text::grouped(list) {
        let level = match alike[0].level {
            Level::Note => "Note",
            Level::Caution => "Caution",
            Level::Serious => "Serious",
        };
        let _ = write!(
            out,
            "<li><strong>{level}:</strong> {}",
            names.html(&alike[0].message)
        );
        if alike.len() > 1 {
            let further = alike[1..]
                .iter()
                .map(|c| format!("<li>{}</li>", names.html(&c.message)));
            let _ = write!(
                out,
                "<details><summary>{} more of this kind</summary><ul>\n{}</ul></details>",
                alike.len() - 1,
                further.collect::<Vec<_>>().join("\n")
            );
        }
        out.push_str("</li>\n");
    }
    out.push_str("</ul>\n");
    out
}

/// What paper leaves out, for whoever has nothing else.
pub const ON_PAPER: &str = "<p class=\"paper\">On paper only the phase of each recording is drawn, and of notes of one kind the first stands alone; the page on a screen has them all.</p>\n";

/// The pictures of recordings, a heading each where there are several.
pub fn recordings(details: &Details, names: &Names) -> Option<Section> {
    let seen: Vec<&CaptureDetails> = details
        .captures
        .iter()
        .filter(|c| c.evidence.is_some())
        .collect();
    if seen.is_empty() {
        return None;
    }
    let single = seen.len() == 1;
    let mut blocks = Vec::new();
    for (k, capture) in seen.iter().take(MOST_RECORDINGS).enumerate() {
        let name = file_name(&capture.file);
        let (suffix, of) = if single {
            (String::new(), String::new())
        } else {
            (suffix(k), format!(": {name}"))
        };
        if !single {
            blocks.push(Block::Html(format!("<h3>{}</h3>\n", names.html(name))));
        }
        let level = if single { 3 } else { 4 };
        blocks.push(Block::Figures(
            level,
            picture::recording(capture, &suffix, &of),
        ));
    }
    if seen.len() > MOST_RECORDINGS {
        blocks.push(Block::Html(format!(
            "<p>The pictures of the other {} recordings are left out to keep the page small; solve them in jobs of their own to see them.</p>\n",
            seen.len() - MOST_RECORDINGS
        )));
    }
    Some(Section {
        heading: if single {
            "The recording"
        } else {
            "The recordings"
        }
        .to_owned(),
        blocks,
    })
}

/// Tells the second and later pictures of a kind from the first.
pub fn suffix(k: usize) -> String {
    match k {
        0 => String::new(),
        k => format!("-{}", k + 1),
    }
}

/// Files, radii, speeds and what was analysed: a table of all captures, and one of their files.
pub fn captures(details: &Details, names: &Names, metadata: bool) -> String {
    let file = |c: &CaptureDetails| match &c.evidence {
        Some(_) => names.html(file_name(&c.file)),
        None => format!("none: a delay that was given ({})", names.html(&c.file)),
    };
    let rows: Vec<Vec<String>> = details
        .captures
        .iter()
        .map(|c| {
            let objects = c.objects.iter().filter(|name| !name.is_empty());
            let objects: Vec<String> = objects.map(|name| names.html(name)).collect();
            let [start, end] = c.radius_mm;
            let mut made = vec![
                if c.swapped {
                    "leads swapped"
                } else {
                    "leads normal"
                }
                .to_owned(),
            ];
            made.extend(c.note.as_ref().map(|note| names.html(note)));
            vec![
                format!("{}. {}", c.capture, file(c)),
                objects.join(", "),
                if start == end {
                    start.to_string()
                } else {
                    format!("{start} to {end}")
                },
                plain(c.rpm, 2),
                c.turn_deg.to_string(),
                made.join("; "),
            ]
        })
        .collect();
    let mut out = table(
        "How each capture was made",
        &[
            "File",
            "setup, record, chain",
            "radius / mm",
            "speed / rpm",
            "turn / degrees",
            "leads and note",
        ],
        &rows,
    );
    let read = details
        .captures
        .iter()
        .filter_map(|c| Some((c, c.evidence.as_ref()?)));
    let rows: Vec<Vec<String>> = read
        .clone()
        .map(|(c, e)| {
            let hash = e.info.sha256.as_deref().unwrap_or("none: it was a stream");
            vec![
                file(c),
                names.html(&e.info.description),
                e.info.sample_rate_hz.to_string(),
                format!(
                    "{} to {} of {}",
                    plain(e.span_s.0, 2),
                    plain(e.span_s.1, 2),
                    plain(e.info.duration_s, 2)
                ),
                format!("{} to {}", plain(e.band_hz.0, 0), plain(e.band_hz.1, 0)),
                format!("<span class=\"hash\">{hash}</span>"),
            ]
        })
        .collect();
    if !rows.is_empty() {
        out += &table(
            "What was read",
            &[
                "File",
                "form",
                "sample rate / Hz",
                "analysed / s",
                "band / Hz",
                "SHA-256",
            ],
            &rows,
        );
    }
    let texts = read.filter(|_| metadata).flat_map(|(c, e)| {
        let texts = e.info.metadata.iter().take(MOST_TEXTS);
        texts.map(move |(name, text)| {
            let text: String = text.chars().take(MOST_CHARACTERS).collect();
            vec![file(c), names.html(name), names.html(&text)]
        })
    });
    let texts: Vec<Vec<String>> = texts.collect();
    if !texts.is_empty() {
        out += &table("Text in the files", &["File", "field", "text"], &texts);
    }
    out
}

/// Every unknown with its prior and where that comes from.
pub fn priors(list: &[UnknownUpdate], names: &Names) -> String {
    let figure = |(value, u): (f64, f64), unit: &str| {
        format!("{} u {} {unit}", rounded(value, u), rounded_u(u))
    };
    let rows: Vec<Vec<String>> = list
        .iter()
        .map(|l| {
            vec![
                names.html(&l.words),
                figure(l.prior, l.unit),
                figure(l.posterior, l.unit),
                determined(l).to_owned(),
                format!("<span class=\"origin\">{}</span>", names.html(&l.origin)),
            ]
        })
        .collect();
    table(
        "What was assumed before, and what is known after (value, standard uncertainty)",
        &[
            "Quantity",
            "before",
            "after",
            "known from",
            "origin of what was assumed",
        ],
        &rows,
    )
}

fn determined(l: &UnknownUpdate) -> &'static str {
    use crate::adjust::Determined;
    match l.determined_by {
        Determined::Data => "captures",
        Determined::Prior => "assumption",
        Determined::Both => "both",
    }
}

/// Method, versions, and what the figure is and is not.
pub fn statements() -> Section {
    let program = Program::this();
    let html = format!(
        "<h3>What the figure is</h3>\n<p>{}</p>\n<h3>How it was found</h3>\n<p>Both channels of each recording are cut into overlapping frames; frames with clicks, silence or unmodulated groove are left out. The averaged cross-spectrum gives the phase between the channels over frequency; a delay and the unequal parts of the equaliser are fitted to it, weighted by coherence. Delay times groove speed is a length along the groove; the tip's geometry turns it into an angle. All captures and everything assumed are adjusted together by least squares; bands follow JCGM 100 (GUM) and, where the model is not linear, its marginal distribution. In the budgets, type A is evaluated by statistics of the job's own readings, type B by other means (JCGM 100:2008, 4.2 and 4.3); every quantity enters with a normal distribution. The method was tried on simulated grooves and by independent generators; no real groove has been measured against a microscope or another laboratory yet. Turns entered with the wrong sign in all captures, together with leads entered the wrong way round in all, mirror the result unseen.</p>\n<h3>Versions</h3>\n<p>{} {}. The same input gives the same page, byte for byte: to check this page, make it again with <code>groovelag solve JOB --report FILE</code> and compare the two files. <code>groovelag verify</code> checks the JSON document of the same job, not this page.</p>\n",
        text::MEASURAND,
        program.name,
        program.version
    );
    Section {
        heading: "Method and meaning".to_owned(),
        blocks: vec![Block::Html(html)],
    }
}
