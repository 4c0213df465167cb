//! Lick files in, lick files out.
//!
//! **Conventions.** TOML 1.0. The first fault in the order of the file is told. Printing and
//! reading again gives an equal lick; comments are not part of a lick.

use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;
use toml::de::DeValue;

use super::Lick;
use super::Meter;
use super::Step;
use super::beats::Beats;
use super::check::LAST_CAPO;
use super::error::LickError;
use super::fault::Fault;
use super::mark::Mark;
use super::place::Place;
use super::swing::Swing;
use crate::theory::error::NameError;
use crate::theory::fretboard::Tuning;
use crate::theory::key::Key;
use crate::theory::spelling::Spelling;

/// Bytes beyond which a file is not read as a lick.
pub const LONGEST_FILE: u64 = 4 << 20;

const LICK_KEYS: &[&str] = &["title", "key", "tempo", "meter", "swing", "tuning", "capo", "steps"];
const STEP_KEYS: &[&str] = &["beats", "frets", "chord", "interval"];

/// A lick and where its steps stand in the text.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// The lick.
    pub lick: Lick,
    /// One entry for each step.
    pub places: Vec<StepPlaces>,
}

/// Where the parts of a step stand, as byte ranges of the text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StepPlaces {
    /// The text between the quotes of `frets`.
    pub frets: Range<usize>,
    /// Each mark, lowest string first.
    pub marks: Vec<Range<usize>>,
    /// The value of `chord`, quotes included.
    pub chord: Option<Range<usize>>,
    /// The value of `interval`, quotes included.
    pub interval: Option<Range<usize>>,
}

impl Lick {
    /// Reads a lick file.
    ///
    /// # Errors
    /// A file that cannot be read or is not a lick.
    pub fn load(path: &Path) -> Result<Self, LickError> {
        Self::parse(&read_text(path)?, &path.display().to_string())
    }

    /// Reads a lick from `text`; `name` stands for the text in messages.
    ///
    /// # Errors
    /// A text that is not a lick.
    pub fn parse(text: &str, name: &str) -> Result<Self, LickError> {
        Written::parse(text, name).map(|written| written.lick)
    }

    /// Prints the lick as a file.
    pub fn to_toml(&self) -> String {
        let mut out = format!(
            "title  = {}\nkey    = \"{}\"\ntempo  = {}\nmeter  = \"{}/{}\"\n",
            toml::Value::from(self.title.as_str()),
            self.key,
            self.tempo_bpm,
            self.meter.count,
            self.meter.unit,
        );
        if let Some(swing) = self.swing {
            out += &format!("swing  = \"{swing}\"\n");
        }
        if self.tuning != Tuning::default() {
            let open: Vec<_> = self.open_names().iter().map(ToString::to_string).collect();
            out += &format!("tuning = \"{}\"\n", open.join(" "));
        }
        if self.capo != 0 {
            out += &format!("capo   = {}\n", self.capo);
        }
        out += "\nsteps = [\n";
        let widths: Vec<usize> = (0..self.tuning.n_strings())
            .map(|i| {
                let marks = self.steps.iter().filter_map(|step| step.marks.get(i));
                marks.map(|mark| mark.to_string().len()).max().unwrap_or(0)
            })
            .collect();
        let length_width =
            self.steps.iter().map(|step| step.beats.to_toml().len()).max().unwrap_or(0) + 1;
        for step in &self.steps {
            let marks: Vec<_> = step
                .marks
                .iter()
                .zip(&widths)
                .map(|(mark, &width)| format!("{mark:>width$}"))
                .collect();
            let marks = marks.join(" ");
            // A backslash stands for itself only between single quotes.
            let quote = if marks.contains('\\') { '\'' } else { '"' };
            let length = format!("{},", step.beats.to_toml());
            out += &format!("  {{ beats = {length:<length_width$} frets = {quote}{marks}{quote}");
            if let Some(chord) = &step.chord {
                out += &format!(", chord = {}", toml::Value::from(chord.to_string()));
            }
            if let Some(interval) = step.interval {
                out += &format!(", interval = \"{interval}\"");
            }
            out += " },\n";
        }
        out + "]\n"
    }
}

/// The text of a lick file.
///
/// # Errors
/// A file that cannot be read, is longer than [`LONGEST_FILE`], or is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, LickError> {
    let name = path.display().to_string();
    let file = File::open(path).map_err(|source| LickError::Read { name: name.clone(), source })?;
    read_text_from(file, name)
}

/// The text of `source`, which is called `name`.
///
/// # Errors
/// Unreadable or not text, or longer than any lick.
pub fn read_text_from(source: impl Read, name: String) -> Result<String, LickError> {
    let mut bytes = Vec::new();
    let read = source.take(LONGEST_FILE + 1).read_to_end(&mut bytes);
    read.map_err(|source| LickError::Read { name: name.clone(), source })?;
    if bytes.len() as u64 > LONGEST_FILE {
        return Err(LickError::TooLong { name: name.clone() }.or_other(&name));
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..good].iter().filter(|&&byte| byte == b'\n').count() + 1;
        LickError::NotText { name: name.clone(), line }.or_other(&name)
    })
}

/// Whether a lick file has remarks (after `#`), which are no part of the lick.
pub fn has_remarks(text: &str) -> bool {
    let mut quote = None;
    let mut escaped = false;
    text.chars().any(|c| {
        match quote {
            Some('"') if escaped => escaped = false,
            Some('"') if c == '\\' => escaped = true,
            Some(open) if c == open => quote = None,
            None if c == '"' || c == '\'' => quote = Some(c),
            _ => {}
        }
        c == '#' && quote.is_none()
    })
}

/// A fault and the bytes it lies in.
type Found<T> = Result<T, (Range<usize>, Fault)>;

impl Written {
    /// Reads a lick and where its steps stand; `name` stands for the text in messages.
    ///
    /// # Errors
    /// A text that is not a lick.
    pub fn parse(text: &str, name: &str) -> Result<Self, LickError> {
        read_lick(text).map_err(|(span, fault)| {
            let is_toml = !matches!(fault, Fault::Syntax { .. } | Fault::Unquoted { .. });
            let error = LickError::Malformed { place: Place::new(name, text, span), fault };
            if is_toml || text.contains("steps") { error } else { error.or_other(name) }
        })
    }
}

fn read_lick(text: &str) -> Found<Written> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let place = |error: &toml::de::Error| error.span().unwrap_or(text.len()..text.len());
    // A quote left open is told after what it spoils.
    if let Some(error) = errors.iter().min_by_key(|error| place(error).start) {
        let span = place(error);
        let fault = match error.message() {
            message if message.contains("escape") => Fault::Escape,
            // Such a value is pointed at as a whole.
            message
                if message.contains("quoted")
                    && text.get(span.clone()).is_some_and(|value| !value.is_empty()) =>
            {
                unquoted(&text[span.clone()])
            }
            message => Fault::Syntax { message: message.to_owned() },
        };
        return Err((span, fault));
    }
    let table = Table { entries: document.get_ref(), span: 0..0 };
    table.only(LICK_KEYS)?;

    let (title, span) = table.text("title")?;
    if title.trim().is_empty() {
        return Err((span, Fault::NoTitle));
    }
    let key: Key = table.named("key")?;
    let tempo_bpm = read_tempo(&table)?;
    let meter = read_meter(&table)?;
    let swing = table.optional("swing").map(|_| read_swing(&table, meter)).transpose()?;
    let tuning = match table.optional("tuning") {
        Some(_) => read_tuning(text, &table)?,
        None => Tuning::default(),
    };
    let capo = match table.optional("capo") {
        Some(value) => read_capo(value)?,
        None => 0,
    };
    let value = table.required("steps")?;
    let entries = value.get_ref().as_array().ok_or_else(|| wrong_type("steps", value))?;
    if entries.is_empty() {
        return Err((value.span(), Fault::NoSteps));
    }
    let mut steps = Vec::with_capacity(entries.len());
    let mut places = Vec::with_capacity(entries.len());
    for entry in entries.iter() {
        let (step, place) = read_step(text, entry)?;
        steps.push(step);
        places.push(place);
    }
    let title = title.to_owned();
    let lick = Lick { title, key, tempo_bpm, meter, swing, tuning, capo, steps };
    lick.check().map_err(|flaw| {
        let place = &places[flaw.step - 1];
        let mark = flaw.string.and_then(|string| {
            place.marks.get(lick.tuning.n_strings().checked_sub(usize::from(string.0))?)
        });
        (mark.unwrap_or(&place.frets).clone(), flaw.fault)
    })?;
    Ok(Written { lick, places })
}

/// What is wrong with a value that no quotes stand round: it may be no value at all.
fn unquoted(value: &str) -> Fault {
    let is_key = |word: &str| LICK_KEYS.contains(&word) || STEP_KEYS.contains(&word);
    let instead = |message: String| Fault::Syntax { message };
    match value.rsplit_once(char::is_whitespace) {
        None if value == ":" => instead("a colon, expected `=`".to_owned()),
        Some((before, key)) if is_key(key) && !before.starts_with(['(', '[']) => {
            instead(format!("`{key}` right after a value, expected `,`"))
        }
        _ if value.starts_with(['/', ';', '%']) => instead(format!("`{value}`, expected `#`")),
        _ if is_key(value) || value.starts_with('(') => {
            instead(format!("`{value}` outside a step, expected `{{`"))
        }
        _ => {
            let others = ['“', '”', '„', '‘', '’', '‚', '«', '»', '´', '`', '"', '\''];
            Fault::Unquoted { value: value.trim_matches(others).to_owned() }
        }
    }
}

fn read_tempo(table: &Table<'_, '_>) -> Found<f64> {
    let value = table.required("tempo")?;
    let found = number(value).ok_or_else(|| wrong_type("tempo", value))?;
    match (10.0..=400.0).contains(&found) {
        true => Ok(found),
        false => Err((value.span(), Fault::Tempo { found })),
    }
}

fn read_meter(table: &Table<'_, '_>) -> Found<Meter> {
    let (text, span) = table.text("meter")?;
    text.split_once('/')
        .and_then(|(count, unit)| Meter::new(count.parse().ok()?, unit.parse().ok()?))
        .ok_or_else(|| (span, Fault::Meter { found: text.to_owned() }))
}

fn read_swing(table: &Table<'_, '_>, meter: Meter) -> Found<Swing> {
    let (text, span) = table.text("swing")?;
    match text.parse() {
        Ok(_) if !meter.may_swing() => Err((span, Fault::SwungMeter { meter })),
        Ok(swing) => Ok(swing),
        Err(()) => Err((span, Fault::Swing { found: text.to_owned() })),
    }
}

fn read_tuning(text: &str, table: &Table<'_, '_>) -> Found<Tuning> {
    let (names, span) = table.text("tuning")?;
    let mut open = Vec::new();
    for (word, place) in words(text, names, &span) {
        let spelling: Spelling = word.parse().map_err(|error: NameError| {
            let fault = match error {
                NameError::Note { found } if !found.contains(|c: char| c.is_ascii_digit()) => {
                    Fault::NoOctave { found, written_out: Tuning::written_out(names) }
                }
                error => error.into(),
            };
            (place.clone(), fault)
        })?;
        open.extend(spelling.midi());
    }
    let found = open.len();
    let tuning = Tuning::new(open).ok_or((span.clone(), Fault::StringCount { found }))?;
    if tuning.leads_down() {
        let lowest_first: Vec<&str> = names.split_whitespace().rev().collect();
        return Err((span, Fault::HighestFirst { lowest_first: lowest_first.join(" ") }));
    }
    Ok(tuning)
}

fn read_capo(value: &Spanned<DeValue<'_>>) -> Found<u8> {
    let integer = value.get_ref().as_integer().ok_or_else(|| wrong_type("capo", value))?;
    let found = i64::from_str_radix(integer.as_str(), integer.radix()).unwrap_or(i64::MAX);
    match u8::try_from(found) {
        Ok(capo) if capo <= LAST_CAPO => Ok(capo),
        _ => Err((value.span(), Fault::Capo { found })),
    }
}

fn read_step(text: &str, entry: &Spanned<DeValue<'_>>) -> Found<(Step, StepPlaces)> {
    let entries = entry.get_ref().as_table().ok_or_else(|| wrong_type("steps", entry))?;
    let table = Table { entries, span: entry.span() };
    table.only(STEP_KEYS)?;

    let value = table.required("beats")?;
    let beats = match value.get_ref() {
        DeValue::String(fraction) => Beats::from_fraction(fraction),
        DeValue::Integer(_) | DeValue::Float(_) => number(value).and_then(Beats::from_number),
        _ => return Err(wrong_type("beats", value)),
    };
    let beats = beats.ok_or_else(|| {
        let found = text[value.span()].trim_matches(['"', '\'']).to_owned();
        (value.span(), Fault::Length { found })
    })?;

    let (column, span) = table.text("frets")?;
    let mut marks = Vec::new();
    let mut mark_places = Vec::new();
    for (word, place) in words(text, column, &span) {
        marks.push(word.parse::<Mark>().map_err(|fault| (place.clone(), fault))?);
        mark_places.push(place);
    }
    let chord = table.optional("chord").map(|_| table.named("chord")).transpose()?;
    let interval = table.optional("interval").map(|_| table.named("interval")).transpose()?;
    let places = StepPlaces {
        frets: span,
        marks: mark_places,
        chord: table.optional("chord").map(Spanned::span),
        interval: table.optional("interval").map(Spanned::span),
    };
    Ok((Step { beats, marks, chord, interval }, places))
}

/// A table of the file and where it stands.
struct Table<'a, 'i> {
    entries: &'a DeTable<'i>,
    span: Range<usize>,
}

impl<'a, 'i> Table<'a, 'i> {
    /// Refuses keys other than `known`; the first in the file is told.
    fn only(&self, known: &'static [&'static str]) -> Found<()> {
        self.entries
            .keys()
            .filter(|key| !known.contains(&key.get_ref().as_ref()))
            .min_by_key(|key| key.span().start)
            .map_or(Ok(()), |key| {
                let found = key.get_ref().to_string();
                Err((key.span(), Fault::UnknownKey { found, known }))
            })
    }

    fn optional(&self, key: &str) -> Option<&'a Spanned<DeValue<'i>>> {
        self.entries.get(key)
    }

    fn required(&self, key: &'static str) -> Found<&'a Spanned<DeValue<'i>>> {
        self.optional(key).ok_or_else(|| (self.span.clone(), Fault::Missing { key }))
    }

    /// A string and the bytes of its value.
    fn text(&self, key: &'static str) -> Found<(&'a str, Range<usize>)> {
        let value = self.required(key)?;
        let text = value.get_ref().as_str().ok_or_else(|| wrong_type(key, value))?;
        Ok((text, value.span()))
    }

    fn named<T: std::str::FromStr<Err = NameError>>(&self, key: &'static str) -> Found<T> {
        let (text, span) = self.text(key)?;
        text.trim().parse().map_err(|error: NameError| (span, error.into()))
    }
}

fn wrong_type(key: &'static str, value: &Spanned<DeValue<'_>>) -> (Range<usize>, Fault) {
    let expected = match key {
        "tempo" => "a number",
        "capo" => "a whole number",
        "beats" => "a number or a fraction in a string",
        "steps" => "an array of tables",
        _ => "a string",
    };
    let found = match value.get_ref() {
        DeValue::String(_) => "a string",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number with a point",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "an array",
        DeValue::Table(_) => "a table",
    };
    (value.span(), Fault::Type { key, expected, found })
}

fn number(value: &Spanned<DeValue<'_>>) -> Option<f64> {
    match value.get_ref() {
        DeValue::Integer(integer) => {
            i64::from_str_radix(integer.as_str(), integer.radix()).ok().map(|whole| whole as f64)
        }
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

/// The words of a string value and where each stands in the text.
///
/// A string that holds escapes other than doubled backslashes cannot be told apart so finely: its
/// words then stand at the whole value.
fn words<'v>(text: &str, value: &'v str, span: &Range<usize>) -> Vec<(&'v str, Range<usize>)> {
    let raw = &text[span.clone()];
    let doubled = raw.starts_with('"') && raw.contains("\\\\");
    let written = |part: &str| if doubled { part.replace('\\', "\\\\") } else { part.to_owned() };
    let quotes = raw.find(written(value).as_str());
    value
        .split_whitespace()
        .map(|word| {
            let offset = word.as_ptr() as usize - value.as_ptr() as usize;
            let place = quotes.map_or_else(
                || span.clone(),
                |quotes| {
                    let start = span.start + quotes + written(&value[..offset]).len();
                    start..start + written(word).len()
                },
            );
            (word, place)
        })
        .collect()
}
