//! Sentences in pieces, from which text and pages are made alike.

/// A part of a sentence.
#[derive(Debug, Clone, PartialEq)]
pub enum Piece {
    /// Words.
    Words(String),
    /// Words about the command line or a job file, which make a sentence no less whole
    /// where they are left out: the page at the turntable has neither.
    Command(&'static str),
    /// A number of a document.
    Number {
        /// Its key in the part of the document that the sentence is about.
        key: &'static str,
        /// Its value there.
        value: f64,
        /// As shown.
        shown: String,
    },
}

impl Piece {
    /// A number of a document.
    pub fn number(key: &'static str, value: f64, shown: String) -> Self {
        Self::Number { key, value, shown }
    }
}

impl<T: Into<String>> From<T> for Piece {
    fn from(words: T) -> Self {
        Self::Words(words.into())
    }
}

/// A sentence or a few, in pieces.
pub type Sentence = Vec<Piece>;

/// A sentence of words alone.
pub fn words(text: impl Into<String>) -> Sentence {
    vec![text.into().into()]
}

/// A sentence as text.
pub fn plain_text(sentence: &Sentence) -> String {
    sentence
        .iter()
        .map(|piece| match piece {
            Piece::Words(words) => words.as_str(),
            Piece::Command(words) => words,
            Piece::Number { shown, .. } => shown.as_str(),
        })
        .collect()
}

/// A sentence with a capital letter and a full stop.
pub fn whole(mut sentence: Sentence) -> Sentence {
    if let Some(Piece::Words(words)) = sentence.first_mut() {
        *words = capitalised(words);
    }
    sentence.push(".".into());
    sentence
}

/// A whole sentence for somebody at the turntable, who types no command.
pub fn spoken(sentence: &Sentence) -> String {
    let ours = |piece: &&Piece| !matches!(piece, Piece::Command(_));
    let ours = sentence.iter().filter(ours).cloned().collect();
    plain_text(&whole(ours)).replace("+-", "±")
}

/// A text that begins with a capital letter.
pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    let first: String = letters
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().collect());
    first + letters.as_str()
}
