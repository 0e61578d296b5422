//! The columns of `sheet.csv`.

/// A column. Their order in the file is free; this is the order in which they are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Column {
    /// File name of the photo.
    Photo,
    /// The stop at which the frame was laid: any word or number.
    Check,
    /// `standing`, `cut`, `behind` or `tray`.
    Place,
    /// The machine's setting in force: any words, the same for the same setting.
    Setting,
    /// Checks laid side by side to compare settings: the same word in both.
    Pair,
    /// Ground speed, miles an hour.
    SpeedMph,
    /// Ground speed, km/h; one of the two.
    SpeedKmh,
    /// Moisture of the beans, %.
    MoisturePercent,
    /// Loose beans counted by hand within the frame.
    HandBeans,
    /// Closed pods on the ground counted by hand within the frame.
    HandPods,
    /// Pods still on stubble within the frame.
    StubblePods,
    /// Pods on lodged plants within the frame.
    LodgedPods,
    /// Pods on loose stalks within the frame.
    StalkPods,
    /// For a tray: the photo of the frame that its beans were picked up from.
    TrayOf,
    /// Anything.
    Note,
}

impl Column {
    /// How many there are.
    pub const COUNT: usize = 15;

    /// All of them, in the order in which they are written.
    pub const ALL: [Self; Self::COUNT] = [
        Self::Photo,
        Self::Check,
        Self::Place,
        Self::Setting,
        Self::Pair,
        Self::SpeedMph,
        Self::SpeedKmh,
        Self::MoisturePercent,
        Self::HandBeans,
        Self::HandPods,
        Self::StubblePods,
        Self::LodgedPods,
        Self::StalkPods,
        Self::TrayOf,
        Self::Note,
    ];

    /// Its heading.
    pub fn word(self) -> &'static str {
        match self {
            Self::Photo => "photo",
            Self::Check => "check",
            Self::Place => "place",
            Self::Setting => "setting",
            Self::Pair => "pair",
            Self::SpeedMph => "speed_mph",
            Self::SpeedKmh => "speed_kmh",
            Self::MoisturePercent => "moisture_percent",
            Self::HandBeans => "hand_beans",
            Self::HandPods => "hand_pods",
            Self::StubblePods => "stubble_pods",
            Self::LodgedPods => "lodged_pods",
            Self::StalkPods => "stalk_pods",
            Self::TrayOf => "tray_of",
            Self::Note => "note",
        }
    }

    /// Reads a heading, whatever its case and with spaces for underscores.
    pub fn of_word(word: &str) -> Option<Self> {
        let word = word.trim().to_lowercase().replace([' ', '-'], "_");
        Self::ALL.into_iter().find(|column| column.word() == word)
    }

    /// Its place among [`Column::ALL`].
    pub(crate) fn at(self) -> usize {
        self as usize
    }

    /// The most that makes sense in it, for columns that hold a number.
    pub(crate) fn most(self) -> Option<f64> {
        match self {
            Self::SpeedMph => Some(30.0),
            Self::SpeedKmh => Some(50.0),
            Self::MoisturePercent => Some(60.0),
            Self::HandBeans
            | Self::HandPods
            | Self::StubblePods
            | Self::LodgedPods
            | Self::StalkPods => Some(100_000.0),
            _ => None,
        }
    }
}

/// The letter by which a spreadsheet calls a column, from 0: A, B, …, Z, AA.
pub(crate) fn letter(mut at: usize) -> String {
    let mut letters = Vec::new();
    loop {
        letters.push(char::from(b'A' + (at % 26) as u8));
        if at < 26 {
            break;
        }
        at = at / 26 - 1;
    }
    letters.iter().rev().collect()
}
