//! The bundle as one zip: files stored as they are, in order, with nothing in the wrapping that could vary. So every
//! byte of the zip is known from its files, and a byte that was changed anywhere is found.

use std::io::{self, BufRead, Read, Write};

use crc32fast::Hasher;

const LOCAL: u32 = 0x0403_4b50;
const CENTRAL: u32 = 0x0201_4b50;
const END: u32 = 0x0605_4b50;
const END64: u32 = 0x0606_4b50;
const LOCATOR64: u32 = 0x0706_4b50;
/// Names are UTF-8 (general purpose bit 11).
const UTF8: u16 = 1 << 11;
/// 1 January 1980, 0:00: the format's first moment. The files' own times are the camera's and the journal's.
const DATE: u16 = 0x21;
/// Longest path of a file, bytes.
const LONGEST_NAME: usize = u16::MAX as usize;

/// Why a zip could not be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PackError {
    /// The disk.
    #[error("{source}")]
    Io {
        /// What the system said.
        #[from]
        source: io::Error,
    },
    /// A file too large for its entry.
    #[error("{path} is larger than 4 GB, which a zip of this form cannot hold")]
    TooLarge {
        /// Which.
        path: String,
    },
    /// Bytes that are not what podfall packs.
    #[error(
        "at byte {at} it is not as podfall packed it: it was packed anew by another program, cut off, or changed there. \
         Unpack it and check the folder: podfall verify FOLDER"
    )]
    NotAsPacked {
        /// Where, from the file's beginning.
        at: u64,
    },
}

#[derive(Debug, Clone)]
struct Entry {
    name: String,
    crc: u32,
    bytes: u32,
    at: u64,
}

/// Writes a zip, one file after another.
#[derive(Debug)]
pub struct Packer<W: Write> {
    to: W,
    at: u64,
    entries: Vec<Entry>,
}

impl<W: Write> Packer<W> {
    /// Begins one.
    pub fn new(to: W) -> Self {
        Self {
            to,
            at: 0,
            entries: Vec::new(),
        }
    }

    /// Puts a file in.
    ///
    /// # Errors
    /// [`PackError`] when it is too large or cannot be written.
    pub fn add(&mut self, name: &str, bytes: &[u8]) -> Result<(), PackError> {
        let too_large = || PackError::TooLarge {
            path: name.to_owned(),
        };
        if name.len() > LONGEST_NAME {
            return Err(too_large());
        }
        let entry = Entry {
            name: name.to_owned(),
            crc: crc32fast::hash(bytes),
            bytes: u32::try_from(bytes.len())
                .ok()
                .filter(|&n| n < u32::MAX)
                .ok_or_else(too_large)?,
            at: self.at,
        };
        let head = local_head(&entry);
        self.to.write_all(&head)?;
        self.to.write_all(bytes)?;
        self.at += (head.len() + bytes.len()) as u64;
        self.entries.push(entry);
        Ok(())
    }

    /// Writes the list at the end, and gives back what was written to.
    ///
    /// # Errors
    /// [`PackError::Io`].
    pub fn finish(mut self) -> Result<W, PackError> {
        self.to.write_all(&tail(&self.entries, self.at))?;
        Ok(self.to)
    }
}

fn put16(to: &mut Vec<u8>, value: u16) {
    to.extend(value.to_le_bytes());
}

fn put32(to: &mut Vec<u8>, value: u32) {
    to.extend(value.to_le_bytes());
}

fn put64(to: &mut Vec<u8>, value: u64) {
    to.extend(value.to_le_bytes());
}

/// What a local and a central entry have in common: flags, method, time, sums, sizes, length of the name.
fn common(head: &mut Vec<u8>, entry: &Entry) {
    for value in [UTF8, 0, 0, DATE] {
        put16(head, value);
    }
    for value in [entry.crc, entry.bytes, entry.bytes] {
        put32(head, value);
    }
    put16(head, entry.name.len() as u16);
}

/// # Source
/// PKWARE, .ZIP File Format Specification (APPNOTE) 6.3, sections 4.3.7 to 4.3.16 and 4.5.3.
fn local_head(entry: &Entry) -> Vec<u8> {
    let mut head = Vec::with_capacity(30 + entry.name.len());
    put32(&mut head, LOCAL);
    put16(&mut head, 20);
    common(&mut head, entry);
    put16(&mut head, 0);
    head.extend(entry.name.as_bytes());
    head
}

fn tail(entries: &[Entry], begins: u64) -> Vec<u8> {
    let mut tail = Vec::new();
    for entry in entries {
        let far = entry.at >= u64::from(u32::MAX);
        put32(&mut tail, CENTRAL);
        put16(&mut tail, 0x0300 | 45);
        put16(&mut tail, if far { 45 } else { 20 });
        common(&mut tail, entry);
        put16(&mut tail, if far { 12 } else { 0 });
        for value in [0, 0, 0] {
            put16(&mut tail, value);
        }
        put32(&mut tail, 0o100_644 << 16);
        put32(&mut tail, u32::try_from(entry.at).unwrap_or(u32::MAX));
        tail.extend(entry.name.as_bytes());
        if far {
            put16(&mut tail, 1);
            put16(&mut tail, 8);
            put64(&mut tail, entry.at);
        }
    }
    let (size, count) = (tail.len() as u64, entries.len() as u64);
    if begins + size >= u64::from(u32::MAX) || count >= u64::from(u16::MAX) {
        put32(&mut tail, END64);
        put64(&mut tail, 44);
        put16(&mut tail, 0x0300 | 45);
        put16(&mut tail, 45);
        for value in [0, 0] {
            put32(&mut tail, value);
        }
        for value in [count, count, size, begins] {
            put64(&mut tail, value);
        }
        put32(&mut tail, LOCATOR64);
        put32(&mut tail, 0);
        put64(&mut tail, begins + size);
        put32(&mut tail, 1);
    }
    let short = |value: u64| u16::try_from(value).unwrap_or(u16::MAX);
    put32(&mut tail, END);
    for value in [0, 0, short(count), short(count)] {
        put16(&mut tail, value);
    }
    for value in [size, begins] {
        put32(&mut tail, u32::try_from(value).unwrap_or(u32::MAX));
    }
    put16(&mut tail, 0);
    tail
}

/// One file out of a zip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unpacked {
    /// Its path in the zip.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// Whether the zip's own sum (CRC-32) of it is right.
    pub crc_is_right: bool,
}

/// Reads a zip from its beginning, handing out file by file, and holds every byte against what [`Packer`] writes.
///
/// - `most_bytes`: largest file taken.
///
/// # Errors
/// [`PackError::NotAsPacked`] at the first byte of the wrapping that differs; files before it were handed out.
pub fn unpack(
    from: &mut impl BufRead,
    most_bytes: u32,
    take: &mut dyn FnMut(Unpacked),
) -> Result<(), PackError> {
    let mut at = 0;
    let mut entries = Vec::new();
    let mut rest = Vec::new();
    loop {
        let mut sign = Vec::new();
        from.take(4).read_to_end(&mut sign)?;
        if sign != LOCAL.to_le_bytes() {
            rest.extend(sign);
            break;
        }
        let entry = read_head(from, at)?;
        let head_bytes = 30 + entry.name.len() as u64;
        if entry.bytes > most_bytes {
            return Err(PackError::NotAsPacked { at });
        }
        let mut bytes = Vec::new();
        from.take(u64::from(entry.bytes)).read_to_end(&mut bytes)?;
        if bytes.len() as u64 != u64::from(entry.bytes) {
            return Err(PackError::NotAsPacked {
                at: at + head_bytes + bytes.len() as u64,
            });
        }
        let mut hasher = Hasher::new();
        hasher.update(&bytes);
        take(Unpacked {
            name: entry.name.clone(),
            crc_is_right: hasher.finalize() == entry.crc,
            bytes,
        });
        at += head_bytes + u64::from(entry.bytes);
        entries.push(entry);
    }
    let expected = tail(&entries, at);
    from.take(expected.len() as u64 + 1)
        .read_to_end(&mut rest)?;
    if rest == expected && !entries.is_empty() {
        return Ok(());
    }
    let same = rest
        .iter()
        .zip(&expected)
        .take_while(|(a, b)| a == b)
        .count();
    Err(PackError::NotAsPacked {
        at: at + same as u64,
    })
}

/// A local head, of which the first four bytes were read.
fn read_head(from: &mut impl BufRead, at: u64) -> Result<Entry, PackError> {
    let mut fixed = LOCAL.to_le_bytes().to_vec();
    from.take(26).read_to_end(&mut fixed)?;
    if fixed.len() < 30 {
        return Err(PackError::NotAsPacked {
            at: at + fixed.len() as u64,
        });
    }
    let u16_at = |i: usize| u16::from_le_bytes([fixed[i], fixed[i + 1]]);
    let u32_at =
        |i: usize| u32::from_le_bytes([fixed[i], fixed[i + 1], fixed[i + 2], fixed[i + 3]]);
    let mut name = vec![0; usize::from(u16_at(26))];
    from.read_exact(&mut name)
        .map_err(|_| PackError::NotAsPacked { at: at + 30 })?;
    let Ok(name) = String::from_utf8(name) else {
        return Err(PackError::NotAsPacked { at: at + 30 });
    };
    let entry = Entry {
        name,
        crc: u32_at(14),
        bytes: u32_at(18),
        at,
    };
    let same = local_head(&entry)
        .iter()
        .zip(&fixed)
        .take_while(|(a, b)| a == b)
        .count();
    if same < fixed.len() {
        return Err(PackError::NotAsPacked {
            at: at + same as u64,
        });
    }
    Ok(entry)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(files: &[(&str, &[u8])]) -> Vec<u8> {
        let mut packer = Packer::new(Vec::new());
        for (name, bytes) in files {
            packer.add(name, bytes).unwrap();
        }
        packer.finish().unwrap()
    }

    fn read(zip: &[u8]) -> (Vec<Unpacked>, Result<(), PackError>) {
        let mut files = Vec::new();
        let result = unpack(&mut &zip[..], 1_000_000, &mut |file| files.push(file));
        (files, result)
    }

    #[test]
    fn every_byte_that_is_changed_is_found() {
        let files: [(&str, &[u8]); 3] = [
            ("r/a.txt", b"hello"),
            ("r/北.txt", b""),
            ("r/c", b"PK\x01\x02"),
        ];
        let zip = packed(&files);
        let (whole, result) = read(&zip);
        result.unwrap();
        assert_eq!(whole.len(), 3);
        assert!(whole.iter().all(|f| f.crc_is_right));
        for at in 0..zip.len() {
            for bit in 0..8 {
                let mut changed = zip.clone();
                changed[at] ^= 1 << bit;
                let (files, result) = read(&changed);
                assert!(result.is_err() || files != whole, "byte {at}, bit {bit}");
            }
            assert!(read(&zip[..at]).1.is_err(), "cut at {at}");
        }
        assert!(read(&[&zip[..], b"x"].concat()).1.is_err());
        assert!(read(b"").1.is_err());
    }

    #[test]
    fn far_entries_have_the_long_form() {
        let entry = |at| Entry {
            name: "a".to_owned(),
            crc: 0,
            bytes: 1,
            at,
        };
        let near = tail(&[entry(0)], 100);
        assert_eq!(near.len(), 46 + 1 + 22);
        let far = tail(&[entry(5_000_000_000)], 5_000_000_100);
        assert_eq!(far.len(), 46 + 1 + 12 + 56 + 20 + 22);
    }
}
