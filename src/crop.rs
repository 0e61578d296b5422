//! The crop table: bean sizes, bushel weights, moisture. Another crop is another row.

use serde::{Deserialize, Serialize};

/// Crops in the table.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum CropName {
    /// Soybean.
    #[default]
    Soybean,
    /// Field pea.
    FieldPea,
    /// Dry bean, pinto class.
    PintoBean,
    /// Dry bean, navy class.
    NavyBean,
    /// Chickpea.
    Chickpea,
    /// Maize (corn), shelled.
    Maize,
}

/// One crop's figures.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Crop {
    /// Which.
    pub name: CropName,
    /// The word for it, as in `podfall.toml`.
    pub word: &'static str,
    /// Weight of a bushel by custom, lb.
    pub bushel_lb: f64,
    /// Moisture of that bushel, %, wet basis.
    pub standard_moisture_percent: f64,
    /// Ordinary number of seeds in a pound.
    pub seeds_per_lb: f64,
    /// Standard deviation of that number over varieties and seasons.
    pub seeds_per_lb_sd: f64,
    /// Ordinary length of a seed, mm.
    pub length_mm: f64,
    /// Ordinary width of a seed, mm.
    pub width_mm: f64,
    /// Ordinary thickness of a seed, mm.
    pub thickness_mm: f64,
    /// Ordinary number of seeds in a pod; `None` where there are no pods.
    pub seeds_per_pod: Option<f64>,
    /// Where the figures come from.
    pub source: &'static str,
}

/// The table. Soybean first; the others let the tool be used for them, without a scorer of their own.
pub const CROPS: [Crop; 6] = [
    Crop {
        name: CropName::Soybean,
        word: "soybean",
        bushel_lb: 60.0,
        standard_moisture_percent: 13.0,
        seeds_per_lb: 3_000.0,
        seeds_per_lb_sd: 300.0,
        length_mm: 7.6,
        width_mm: 6.9,
        thickness_mm: 6.0,
        seeds_per_pod: Some(2.5),
        source: "bushel and moisture: Rankin, Harvest Math 101, Univ. of Wisconsin Extension; seeds: Specht, Rees, \
                 Conley (3,000 ordinary, 2,500 large, 3,500 small, spread about 300); size: Kibar (2008), Int. \
                 Agrophys. 22:239, middle of 8 to 16 % moisture",
    },
    Crop {
        name: CropName::FieldPea,
        word: "field-pea",
        bushel_lb: 60.0,
        standard_moisture_percent: 16.0,
        seeds_per_lb: 2_000.0,
        seeds_per_lb_sd: 300.0,
        length_mm: 7.3,
        width_mm: 6.8,
        thickness_mm: 6.4,
        seeds_per_pod: Some(5.0),
        source: "all from memory; unverified",
    },
    Crop {
        name: CropName::PintoBean,
        word: "pinto-bean",
        bushel_lb: 60.0,
        standard_moisture_percent: 18.0,
        seeds_per_lb: 1_400.0,
        seeds_per_lb_sd: 170.0,
        length_mm: 12.5,
        width_mm: 8.3,
        thickness_mm: 5.6,
        seeds_per_pod: Some(4.5),
        source: "seeds: 2 per ft² make 1 bu/ac (Berglund, North Dakota State Univ., 2002), which is 1,452 a pound at \
                 60 lb; the rest from memory, unverified",
    },
    Crop {
        name: CropName::NavyBean,
        word: "navy-bean",
        bushel_lb: 60.0,
        standard_moisture_percent: 18.0,
        seeds_per_lb: 2_900.0,
        seeds_per_lb_sd: 350.0,
        length_mm: 8.4,
        width_mm: 6.4,
        thickness_mm: 5.4,
        seeds_per_pod: Some(5.0),
        source: "seeds: 4 per ft² make 1 bu/ac (Berglund, North Dakota State Univ., 2002), which is 2,904 a pound at \
                 60 lb; the rest from memory, unverified",
    },
    Crop {
        name: CropName::Chickpea,
        word: "chickpea",
        bushel_lb: 60.0,
        standard_moisture_percent: 14.0,
        seeds_per_lb: 1_300.0,
        seeds_per_lb_sd: 260.0,
        length_mm: 9.0,
        width_mm: 7.4,
        thickness_mm: 7.2,
        seeds_per_pod: Some(1.3),
        source: "all from memory; unverified",
    },
    Crop {
        name: CropName::Maize,
        word: "maize",
        bushel_lb: 56.0,
        standard_moisture_percent: 15.5,
        seeds_per_lb: 1_556.0,
        seeds_per_lb_sd: 190.0,
        length_mm: 11.5,
        width_mm: 8.2,
        thickness_mm: 4.8,
        seeds_per_pod: None,
        source: "bushel and moisture: Rankin, Harvest Math 101, Univ. of Wisconsin Extension; seeds: 2 per ft² make \
                 1 bu/ac (Berglund, North Dakota State Univ., 2002; Sumner & Williams, Univ. of Georgia), which is \
                 1,556 a pound at 56 lb; size from memory, unverified",
    },
];

/// A crop that is not in the table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{word}' is not a crop in the table; use one of {known}")]
pub struct UnknownCrop {
    /// What was written.
    pub word: String,
    /// The words there are.
    pub known: String,
}

impl CropName {
    /// Its row in the table.
    pub fn row(self) -> &'static Crop {
        CROPS
            .iter()
            .find(|crop| crop.name == self)
            .expect("every crop has a row")
    }
}

impl std::str::FromStr for CropName {
    type Err = UnknownCrop;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let word = text.trim().to_ascii_lowercase().replace([' ', '_'], "-");
        CROPS
            .iter()
            .find(|crop| crop.word == word)
            .map(|crop| crop.name)
            .ok_or_else(|| UnknownCrop {
                word: text.to_owned(),
                known: CROPS.map(|crop| crop.word).join(", "),
            })
    }
}

impl std::fmt::Display for CropName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.row().word)
    }
}

impl Crop {
    /// Seeds in a pound as judged from seeds' measured length and width, with its standard deviation.
    ///
    /// The table's seed is scaled by (length × width)^1.5, the thickness taken to grow along. Varieties
    /// differ in shape and density, so a tenth stands as the standard deviation besides the measured spread:
    /// common practice, no source; it comes with a caution.
    ///
    /// - `length_mm`, `width_mm`: means over many seeds, mm, above 0; `relative_sd`: of their mean product.
    pub fn seeds_per_lb_from_size(
        &self,
        length_mm: f64,
        width_mm: f64,
        relative_sd: f64,
    ) -> (f64, f64) {
        let volume = (length_mm * width_mm / (self.length_mm * self.width_mm)).powf(1.5);
        let seeds = self.seeds_per_lb / volume;
        (
            seeds,
            seeds * (0.1_f64.powi(2) + (1.5 * relative_sd).powi(2)).sqrt(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_read_back() {
        for crop in CROPS {
            assert_eq!(crop.word.parse(), Ok(crop.name));
            assert_eq!(crop.name.to_string(), crop.word);
        }
        let error = "rye".parse::<CropName>().unwrap_err().to_string();
        assert!(error.contains("rye") && error.contains("soybean"));
    }

    #[test]
    fn size_of_the_table_gives_seeds_of_the_table() {
        let row = CropName::Soybean.row();
        let (seeds, sd) = row.seeds_per_lb_from_size(row.length_mm, row.width_mm, 0.0);
        assert!((seeds - 3000.0).abs() < 1e-9 && (sd - 300.0).abs() < 1e-9);
        // A smaller seed: Wandkar (2012) measured 6.55 by 5.56 mm at 103.6 g a thousand, 4,378 a pound.
        let (small, sd) = row.seeds_per_lb_from_size(6.55, 5.56, 0.0);
        assert!((small - 4_378.0).abs() < 2.0 * sd, "{small} ± {sd}");
    }
}
