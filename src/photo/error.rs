//! Why a photo could not be read: what was measured, what was needed, what to do.

/// Why a photo could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PhotoError {
    /// No bytes at all.
    #[error("the file is empty (0 bytes); copy the photo from the phone again")]
    Empty,
    /// Not a picture that is known here.
    #[error(
        "not a JPEG, HEIC, PNG, WebP or TIFF (its first bytes are {first_bytes}); save the photo as JPEG"
    )]
    UnknownFormat {
        /// Up to four first bytes, hex.
        first_bytes: String,
    },
    /// A picture that is known but not read.
    #[error(
        "{format} is not read here; set the phone's camera to save the most compatible format (JPEG), or convert the photo to JPEG at full size, and count that"
    )]
    NotReadHere {
        /// What it is.
        format: &'static str,
    },
    /// A film.
    #[error("a film, not a photo; take a still photo of the frame, and count that")]
    Film,
    /// A raw file of a camera, of which only a small preview could be read.
    #[error(
        "a camera's raw file, in which only a preview can be read; develop it to a JPEG at full size and count that"
    )]
    Raw,
    /// A picture that this tool made.
    #[error(
        "this picture was drawn by podfall and has marks on it; count the photo that it was made from"
    )]
    OwnPicture,
    /// A picture without pixels.
    #[error("the picture is {width_px} x {height_px} px; copy the photo from the phone again")]
    NoPixels {
        /// Width in the header.
        width_px: u32,
        /// Height in the header.
        height_px: u32,
    },
    /// More pixels than are taken.
    #[error(
        "{width_px} x {height_px} px are {megapixels:.1} million pixels, at most {most_megapixels:.1} million are taken; set the camera to a smaller picture or scale the photo down"
    )]
    TooManyPixels {
        /// Width in the header.
        width_px: u32,
        /// Height in the header.
        height_px: u32,
        /// Their product, millions.
        megapixels: f64,
        /// The most that is taken, millions.
        most_megapixels: f64,
    },
    /// Decoding would take more memory than is allowed.
    #[error(
        "decoding needs {needed_mb:.0} MB of memory, at most {most_mb:.0} MB are allowed; save the photo as an ordinary 8-bit JPEG"
    )]
    TooMuchMemory {
        /// Needed, 10⁶ bytes.
        needed_mb: f64,
        /// Allowed, 10⁶ bytes.
        most_mb: f64,
    },
    /// The file ends before the picture does.
    #[error(
        "the {format} is cut off: its {file_bytes} bytes end before the picture does; copy the photo from the phone again"
    )]
    CutOff {
        /// `JPEG`, `PNG`, `WebP` or `TIFF`.
        format: &'static str,
        /// Size of the file.
        file_bytes: u64,
    },
    /// The picture's lower end is filling, not photo.
    #[error(
        "the JPEG's data end early: its lowest rows repeat one pattern {period_px} px wide; copy the photo from the phone again"
    )]
    FilledUp {
        /// Width of the pattern.
        period_px: u32,
    },
    /// A kind of JPEG that is not read.
    #[error("a JPEG with {what}, which is not read here; save it as an ordinary 8-bit JPEG")]
    OddJpeg {
        /// What is odd about it.
        what: &'static str,
    },
    /// See-through pixels, under which there is no photo.
    #[error(
        "{share_pct:.1} % of the pixels are see-through, at most {most_pct:.0} % are taken; save the photo without transparency"
    )]
    SeeThrough {
        /// Share of pixels that are not opaque, %.
        share_pct: f64,
        /// The most that is taken, %.
        most_pct: f64,
    },
    /// Broken data in a JPEG.
    #[error("the JPEG's data are damaged; copy the photo from the phone again")]
    DamagedJpeg {
        /// What the decoder said.
        #[source]
        source: zune_jpeg::errors::DecodeErrors,
    },
    /// Broken data in a JPEG with a scan for each channel.
    #[error("the JPEG's data are damaged; copy the photo from the phone again")]
    DamagedApart {
        /// What the decoder said.
        #[source]
        source: jpeg_decoder::Error,
    },
    /// Broken data in another picture.
    #[error("the {format}'s data are damaged or of a kind not read here; save the photo as JPEG")]
    Damaged {
        /// `PNG`, `WebP` or `TIFF`.
        format: &'static str,
        /// What the decoder said.
        #[source]
        source: image::ImageError,
    },
    /// Broken data in a HEIC, or a kind of it that is not read.
    #[error(
        "the HEIC is cut off, damaged or of a kind not read here; copy the photo from the phone again, or export it as JPEG at full size"
    )]
    DamagedHeic {
        /// What the decoder said.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// A decoder gave up in a way that it should not.
    #[error("the {format}'s data made the decoder give up; save the photo again as JPEG")]
    DecoderGaveUp {
        /// `JPEG`, `PNG`, `WebP` or `TIFF`.
        format: &'static str,
    },
}
