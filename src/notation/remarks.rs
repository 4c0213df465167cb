//! What is told of a file that was read: each kind of remark once, however often it applies.

/// Remarks in the order they were first made.
#[derive(Debug, Default)]
pub(super) struct Remarks {
    told: Vec<(String, String, usize)>,
}

impl Remarks {
    /// Notes that `what` applies at `place` (empty for the whole file).
    pub fn add(&mut self, place: impl Into<String>, what: impl Into<String>) {
        let what = what.into();
        match self.told.iter_mut().find(|(_, known, _)| *known == what) {
            Some((.., more)) => *more += 1,
            None => self.told.push((place.into(), what, 0)),
        }
    }

    /// The remarks as sentences: the first place of each, and how many more there are.
    pub fn into_sentences(self) -> Vec<String> {
        let sentence = |(place, what, more): (String, String, usize)| {
            let more = match more {
                0 => String::new(),
                1 => " (and once more)".to_owned(),
                more => format!(" (and {more} times more)"),
            };
            if place.is_empty() {
                format!("{what}{more}")
            } else {
                format!("{place}: {what}{more}")
            }
        };
        self.told.into_iter().map(sentence).collect()
    }
}
