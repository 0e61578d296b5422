//! What is taken out before sealing, and the words that say so.

use serde::{Deserialize, Serialize};

use crate::{
    counts::CountsFile,
    loss::SeasonLoss,
    photo::Position,
    sheet::{Column, Sheet},
};

/// How exactly positions are told.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Positions {
    /// As the cameras said.
    #[default]
    Exact,
    /// To a hundredth of a degree: about a kilometre.
    Coarse,
    /// Not at all.
    None,
}

/// What else can be taken out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Redact {
    /// Maker, model, software and lens of the camera.
    Camera,
    /// Notes in the sheet and in the marks.
    Notes,
    /// Names of persons.
    Names,
    /// Prices and what follows from them.
    Money,
}

impl Redact {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Camera, Self::Notes, Self::Names, Self::Money];

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Camera => "camera",
            Self::Notes => "notes",
            Self::Names => "names",
            Self::Money => "money",
        }
    }
}

/// All that is taken out of one record.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Redactions {
    /// Positions.
    pub positions: Positions,
    /// The rest.
    pub what: Vec<Redact>,
    /// Only the originals' hashes were asked for.
    pub hashes_only: bool,
}

impl Redactions {
    /// Whether this is taken out.
    pub fn has(&self, what: Redact) -> bool {
        self.what.contains(&what)
    }

    /// Whether originals go in: their EXIF carries position, camera and often a name, and a copy without it would no
    /// longer be the file that was counted. So they are either whole or not in it.
    pub fn keeps_originals(&self) -> bool {
        !self.hashes_only && self.keeps_exif()
    }

    fn keeps_exif(&self) -> bool {
        self.positions == Positions::Exact && !self.has(Redact::Camera) && !self.has(Redact::Names)
    }

    /// Whether the journal goes in: a line taken out or changed would break its chain.
    pub fn keeps_journal(&self) -> bool {
        !self.has(Redact::Notes) && !self.has(Redact::Names)
    }

    /// What was taken out, one sentence each.
    pub fn words(&self) -> Vec<String> {
        let mut words: Vec<&str> = Vec::new();
        match self.positions {
            Positions::Exact => {}
            Positions::Coarse => words.push(
                "Positions are rounded to a hundredth of a degree, about a kilometre; heights and the cameras' own errors \
                 are left out.",
            ),
            Positions::None => words.push("Positions are left out."),
        }
        for what in Redact::ALL.into_iter().filter(|w| self.has(*w)) {
            words.push(match what {
                Redact::Camera => "Maker, model, software and lens of the camera are left out.",
                Redact::Notes => "Notes in the sheet and in the marks are left out.",
                Redact::Names => "Names of those who made the record and the marks are left out.",
                Redact::Money => "Prices, and losses in money, are left out.",
            });
        }
        if !self.season_keys().is_empty() {
            words.push("podfall.toml is written anew without them, and without its comments, which may hold them.");
        }
        if !self.keeps_journal() {
            words.push("The journal of the marks is left out whole, because it holds them and its chain would break.");
        }
        if !self.keeps_exif() {
            words.push(
                "The original photos are left out, because their files carry what was taken out; their hashes stand, so \
                 that the grower's own files can be checked against them.",
            );
        } else if self.hashes_only {
            words.push(
                "The original photos are left out, as was asked for; their hashes stand, so that the grower's own files can \
                 be checked against them.",
            );
        }
        words.into_iter().map(str::to_owned).collect()
    }

    /// Whether `counts.json` goes in as it was written, byte for byte.
    pub fn keeps_counts(&self) -> bool {
        self.positions == Positions::Exact && !self.has(Redact::Camera)
    }

    /// Takes it out of the counts.
    pub fn counts(&self, counts: &mut CountsFile) {
        for photo in &mut counts.photos {
            photo.meta.position = photo.meta.position.and_then(|p| self.position(p));
            if self.has(Redact::Camera) {
                photo.meta.camera = None;
                photo.meta.software = None;
                photo.meta.focal_length_mm = None;
                photo.meta.focal_length_35mm_mm = None;
            }
        }
    }

    /// Takes it out of the loss.
    pub fn loss(&self, loss: &mut SeasonLoss) {
        for check in &mut loss.checks {
            check.position = check.position.and_then(|p| self.position(p));
        }
    }

    fn position(&self, position: Position) -> Option<Position> {
        let coarse = |deg: f64| (deg * 100.0).round() / 100.0;
        match self.positions {
            Positions::Exact => Some(position),
            Positions::Coarse => Some(Position {
                lat_deg: coarse(position.lat_deg),
                lon_deg: coarse(position.lon_deg),
                altitude_m: None,
                error_m: None,
            }),
            Positions::None => None,
        }
    }

    /// The sheet as it goes in; `None`: as it is, byte for byte.
    pub fn sheet(&self, sheet: &Sheet) -> Option<Vec<u8>> {
        self.has(Redact::Notes).then(|| {
            let mut sheet = sheet.clone();
            for row in &mut sheet.rows {
                row.cells[Column::Note as usize].clear();
            }
            sheet.write()
        })
    }

    /// Keys of `podfall.toml` that are left out.
    fn season_keys(&self) -> Vec<&'static str> {
        let mut keys = Vec::new();
        if self.has(Redact::Money) {
            keys.extend(["price_per_bu", "currency"]);
        }
        if self.has(Redact::Names) {
            keys.push("by");
        }
        keys
    }

    /// `podfall.toml` as it goes in. Where something is taken out, it is written anew from its values: a key can be
    /// written in more ways than one, and a value can go over lines. Comments are lost by that, as they may hold the same.
    ///
    /// # Errors
    /// When it is not TOML: then it cannot be said what is taken out.
    pub fn season(&self, text: &str) -> Result<String, toml::de::Error> {
        let keys = self.season_keys();
        if keys.is_empty() {
            return Ok(text.to_owned());
        }
        let mut season: toml::Table = toml::from_str(text)?;
        season.retain(|key, _| !keys.contains(&key));
        Ok(season.to_string())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_original_goes_in_whole_or_not_at_all() {
        let with = |positions, what: &[Redact]| Redactions {
            positions,
            what: what.to_vec(),
            hashes_only: false,
        };
        assert!(with(Positions::Exact, &[]).keeps_originals());
        assert!(with(Positions::Exact, &[Redact::Money, Redact::Notes]).keeps_originals());
        assert!(!with(Positions::Coarse, &[]).keeps_originals());
        assert!(!with(Positions::Exact, &[Redact::Names]).keeps_originals());
        for one in [Positions::Coarse, Positions::None] {
            assert!(
                with(one, &[])
                    .words()
                    .iter()
                    .any(|w| w.contains("original photos are left out"))
            );
        }
        assert!(with(Positions::Exact, &[]).words().is_empty());
    }

    /// However TOML lets a key be written, and a value go on.
    #[test]
    fn takes_keys_out_of_the_season() {
        let out = Redactions {
            what: vec![Redact::Money, Redact::Names],
            ..Redactions::default()
        };
        let rest = "crop = \"soybean\"\nyield_bu_per_ac = 5\n\n[manual]\nrotor = [200.0, 400.0]\n";
        for secret in [
            "by = \"A. Person\"",
            "\"by\" = \"A. Person\" # A. Person",
            "'by'='A. Person'",
            "\"b\\u0079\" = \"A. Person\"",
            "by = \"\"\"\nSomebody, with\nA. Person\"\"\"",
            "by.name = \"A. Person\"",
            "# by = \"A. Person\"",
            "# asked A. Person",
        ] {
            let text = format!(
                "crop = \"soybean\"\n\"price_per_bu\" = 10\n# currency = \"USD\"\n{secret}\nyield_bu_per_ac = 5\n\
                 manual.rotor = [200.0, 400.0]"
            );
            assert_eq!(out.season(&text).unwrap(), rest, "{secret}");
        }
        assert!(out.season("by = \"A. Person").is_err());
    }

    #[test]
    fn a_season_of_which_nothing_is_taken_out_goes_in_as_it_is() {
        let text = "# asked A. Person\ncrop = \"soybean\"";
        let out = Redactions {
            what: vec![Redact::Notes],
            ..Redactions::default()
        };
        assert_eq!(out.season(text).unwrap(), text);
    }
}
