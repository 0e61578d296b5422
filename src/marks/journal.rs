//! The journal: one act a line, each chained to the one before it by its SHA-256.

use serde::{Deserialize, Serialize};

use super::Act;
use crate::photo::sha256_hex;

/// What the first line names as the line before it.
pub const FIRST_PREV: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// One line of the journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Number of the line, from 1.
    pub seq: u64,
    /// SHA-256 of the bytes of the line before it without its line end, lower-case hex; 64 zeros for the first.
    pub prev: String,
    /// When, RFC 3339 with the offset from UTC.
    pub at: String,
    /// Who.
    pub who: String,
    /// File name of the photo.
    pub photo: String,
    /// SHA-256 of the photo file.
    pub photo_sha256: String,
    /// What was said.
    pub act: Act,
}

/// A journal as read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Journal {
    /// The lines, oldest first.
    pub entries: Vec<Entry>,
    /// SHA-256 of the last line, which the next one names; empty journal: [`FIRST_PREV`].
    pub head: String,
    /// Bytes of whole lines. What stands behind them is a line that was never finished.
    pub whole_bytes: usize,
    /// The unfinished line that a killed process or a full disk left, to be set aside; empty where there is none.
    pub torn: Vec<u8>,
}

/// A journal that cannot be trusted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// Not a line of ours.
    #[error(
        "line {line} cannot be read ({what}); put the file back from a copy, or move it away and begin a new one"
    )]
    Form {
        /// Which line, from 1.
        line: usize,
        /// What the reader said.
        what: String,
    },
    /// A line that does not follow on the one before it.
    #[error(
        "line {line} does not follow on line {}: a line was changed, put in or taken out; put the file back from a copy, \
         or move it away and begin a new one", line - 1
    )]
    Chain {
        /// Which line, from 1.
        line: usize,
    },
    /// An act taken back or brought back that cannot be.
    #[error(
        "line {line} takes back or brings back act {seq}, which cannot be at that place; put the file back from a copy"
    )]
    Undo {
        /// Which line, from 1.
        line: usize,
        /// The act that it names.
        seq: u64,
    },
}

/// The line for an entry, with its line end.
///
/// # Panics
/// Never: an entry is plain data.
pub fn line_of(entry: &Entry) -> String {
    serde_json::to_string(entry).expect("an entry is plain data") + "\n"
}

impl Journal {
    /// An empty one.
    pub fn new() -> Self {
        Self {
            head: FIRST_PREV.to_owned(),
            ..Self::default()
        }
    }

    /// Reads and verifies a journal. A last line that was not finished is set aside, never an error.
    ///
    /// # Errors
    /// [`JournalError`] with the line.
    pub fn read(bytes: &[u8]) -> Result<Self, JournalError> {
        let mut journal = Self::new();
        let mut rest = bytes;
        while let Some(end) = rest.iter().position(|&b| b == b'\n') {
            let (line, after) = (&rest[..end], &rest[end + 1..]);
            let number = journal.entries.len() + 1;
            match serde_json::from_slice::<Entry>(line) {
                Ok(entry) => journal.follow(entry, line, number)?,
                // A power cut can leave a last line of the right length with other bytes in it.
                Err(_) if after.is_empty() => break,
                Err(error) => {
                    return Err(JournalError::Form {
                        line: number,
                        what: error.to_string(),
                    });
                }
            }
            journal.whole_bytes += end + 1;
            rest = after;
        }
        journal.torn = bytes[journal.whole_bytes..].to_vec();
        journal.check_undo()?;
        Ok(journal)
    }

    fn follow(&mut self, entry: Entry, line: &[u8], number: usize) -> Result<(), JournalError> {
        if entry.prev != self.head || entry.seq != number as u64 {
            return Err(JournalError::Chain { line: number });
        }
        self.head = sha256_hex(line);
        self.entries.push(entry);
        Ok(())
    }

    /// Takes in an entry that was made with [`Journal::next`].
    ///
    /// # Errors
    /// [`JournalError::Chain`] when it was made for another line.
    pub fn push(&mut self, entry: Entry) -> Result<(), JournalError> {
        let line = line_of(&entry);
        let number = self.entries.len() + 1;
        self.follow(entry, line.trim_end().as_bytes(), number)?;
        self.whole_bytes += line.len();
        Ok(())
    }

    /// The next line, saying this.
    pub fn next(&self, said: Said<'_>, act: Act) -> Entry {
        Entry {
            seq: self.entries.len() as u64 + 1,
            prev: self.head.clone(),
            at: said.at.to_owned(),
            who: said.who.to_owned(),
            photo: said.photo.0.to_owned(),
            photo_sha256: said.photo.1.to_owned(),
            act,
        }
    }

    /// Number of the last line; 0 for an empty journal.
    pub fn seq(&self) -> u64 {
        self.entries.len() as u64
    }

    /// Acts that can be taken back, oldest first, and those that can be brought back, in the order in which they were
    /// taken back. A new act ends what can be brought back.
    pub fn stacks(&self) -> (Vec<u64>, Vec<u64>) {
        let (undo, redo, _) = self.walk();
        (undo, redo)
    }

    /// The entries that stand: neither taken back nor takings-back.
    pub fn standing(&self) -> impl Iterator<Item = &Entry> {
        let (undo, _, _) = self.walk();
        let kept: std::collections::HashSet<u64> = undo.into_iter().collect();
        self.entries.iter().filter(move |e| kept.contains(&e.seq))
    }

    fn check_undo(&self) -> Result<(), JournalError> {
        match self.walk().2 {
            Some((line, seq)) => Err(JournalError::Undo { line, seq }),
            None => Ok(()),
        }
    }

    /// Undo stack, redo stack, and the first line with an undo or redo that cannot be.
    fn walk(&self) -> (Vec<u64>, Vec<u64>, Option<(usize, u64)>) {
        let (mut undo, mut redo, mut wrong) = (Vec::new(), Vec::new(), None);
        for (at, entry) in self.entries.iter().enumerate() {
            let (from, to, seq) = match entry.act {
                Act::Undo { seq } => (&mut undo, &mut redo, seq),
                Act::Redo { seq } => (&mut redo, &mut undo, seq),
                _ => {
                    undo.push(entry.seq);
                    redo.clear();
                    continue;
                }
            };
            if from.last() == Some(&seq) {
                from.pop();
                to.push(seq);
            } else {
                wrong = wrong.or(Some((at + 1, seq)));
            }
        }
        (undo, redo, wrong)
    }
}

/// Who says something, when, and of which photo.
#[derive(Debug, Clone, Copy)]
pub struct Said<'a> {
    /// RFC 3339 with the offset from UTC.
    pub at: &'a str,
    /// Who.
    pub who: &'a str,
    /// The photo's file name and SHA-256.
    pub photo: (&'a str, &'a str),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(photo: &str) -> Said<'_> {
        Said {
            at: "2026-10-01T19:04:05+02:00",
            who: "me",
            photo: (photo, "ab"),
        }
    }

    fn note(text: &str) -> Act {
        Act::Note {
            text: text.to_owned(),
        }
    }

    fn bytes(acts: Vec<Act>) -> Vec<u8> {
        let mut journal = Journal::new();
        let mut out = Vec::new();
        for act in acts {
            let entry = journal.next(said("a.jpg"), act);
            out.extend(line_of(&entry).bytes());
            journal.push(entry).unwrap();
        }
        out
    }

    #[test]
    fn comes_back_as_it_was() {
        let bytes = bytes(vec![note("one"), note("two\nlines \"and\" ü"), Act::Usable]);
        let journal = Journal::read(&bytes).unwrap();
        assert_eq!(journal.entries.len(), 3);
        assert_eq!(journal.whole_bytes, bytes.len());
        assert!(journal.torn.is_empty());
        assert_eq!(journal.entries[0].prev, FIRST_PREV);
    }

    /// FIPS 180-4: the digest named by line 2 is that of line 1's bytes; here with the `sha2` crate by itself.
    #[test]
    fn names_the_digest_of_the_line_before() {
        use sha2::{Digest, Sha256};
        let bytes = bytes(vec![note("one"), note("two")]);
        let first = bytes.split(|b| *b == b'\n').next().unwrap();
        let digest: String = (Sha256::digest(first).iter())
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(Journal::read(&bytes).unwrap().entries[1].prev, digest);
    }

    /// Wherever a write is cut off, all lines before it are read and the rest is set aside.
    #[test]
    fn a_torn_last_line_is_set_aside_wherever_it_is_cut() {
        let whole = bytes(vec![note("one"), note("two")]);
        let first = whole.iter().position(|b| *b == b'\n').unwrap() + 1;
        for cut in first..whole.len() {
            let journal = Journal::read(&whole[..cut]).unwrap();
            assert_eq!(journal.entries.len(), 1, "cut at {cut}");
            assert_eq!(journal.torn, &whole[first..cut]);
            assert_eq!(journal.whole_bytes, first);
        }
    }

    #[test]
    fn a_last_line_of_zeros_is_torn_too() {
        let mut whole = bytes(vec![note("one")]);
        whole.extend([0, 0, 0, b'\n']);
        let journal = Journal::read(&whole).unwrap();
        assert_eq!((journal.entries.len(), journal.torn.len()), (1, 4));
    }

    #[test]
    fn a_changed_line_is_told_by_its_number() {
        let whole =
            String::from_utf8(bytes(vec![note("one"), note("two"), note("three")])).unwrap();
        let changed = whole.replacen("two", "too", 1);
        let error = Journal::read(changed.as_bytes()).unwrap_err();
        assert_eq!(error, JournalError::Chain { line: 3 });
        let lines: Vec<&str> = whole.lines().collect();
        let without = format!("{}\n{}\n", lines[0], lines[2]);
        let error = Journal::read(without.as_bytes()).unwrap_err();
        assert_eq!(error, JournalError::Chain { line: 2 });
        let spoilt = format!("{}\nnonsense\n{}\n", lines[0], lines[1]);
        let error = Journal::read(spoilt.as_bytes()).unwrap_err();
        assert!(matches!(error, JournalError::Form { line: 2, .. }));
    }

    #[test]
    fn undo_and_redo_are_acts_too() {
        let acts = vec![
            note("one"),
            note("two"),
            Act::Undo { seq: 2 },
            Act::Undo { seq: 1 },
            Act::Redo { seq: 1 },
        ];
        let journal = Journal::read(&bytes(acts)).unwrap();
        assert_eq!(journal.stacks(), (vec![1], vec![2]));
        assert_eq!(journal.standing().count(), 1);
        let wrong = bytes(vec![note("one"), note("two"), Act::Undo { seq: 1 }]);
        let error = Journal::read(&wrong).unwrap_err();
        assert_eq!(error, JournalError::Undo { line: 3, seq: 1 });
    }
}
