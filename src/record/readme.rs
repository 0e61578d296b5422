//! `READ-ME.txt`: what lies in the bundle, for somebody who has never heard of the tool.

use super::Facts;

/// The text.
pub fn readme(facts: &Facts) -> String {
    let taken_out = if facts.taken_out.is_empty() {
        "Nothing was taken out.\n".to_owned()
    } else {
        format!(
            "Taken out before sealing:\n  {}\n",
            facts.taken_out.join("\n  ")
        )
    };
    format!(
        "\
A record of harvest loss, made with podfall {version}. It is a measurement by the grower, not an appraisal. It does not
say whether a loss is covered; if there is insurance, only the insurer's adjuster decides.

record.pdf           to read and print (PDF/A, text can be searched)
record.html          the same for a browser; opens offline
manifest.sha256      SHA-256 of every file in evidence/; its own SHA-256 stands on the first page of record.pdf
seal.sha256          SHA-256 of manifest.sha256, record.html and record.pdf
seal.sha256.sig      where there is one: the maker's signature over seal.sha256 (OpenSSH form)
evidence/
  record.json        all that the pages say, for programs; its form: schema/record.schema.json
  counts.json        what the tool saw in each photo, with every object; its form: schema/counts.schema.json
  counts.csv         the same, one row a photo
  loss.json          the loss by source with limits; its form: schema/loss.schema.json
  loss.csv           the same for a spreadsheet
  photos.geojson     photos with a position (RFC 7946); checks.geojson: the checks
  marks.journal      where there are marks: what persons said of the photos, line by line, each with the SHA-256 of the
                     line before it; marks.json: what follows from it; forms: schema/marks-journal.schema.json, marks.schema.json
  recounted.json     where a person set a frame's edge: the count made anew with it
  sheet.csv          where each frame was laid, and hand counts, as the person wrote them
  podfall.toml       frame, crop and machine, as the person wrote them
  photos/            the original photos, byte for byte
  annotated/         the photos with what the tool marked
  confirmed/         where there are marks: the same with what persons said, told apart by white squares and crosses
Some of these are only there where the season had them.

{taken_out}
To check that nothing was changed:
  podfall verify FOLDER
or without podfall, in this folder:
  sha256sum -c seal.sha256 && sha256sum -c manifest.sha256        (macOS: shasum -a 256 -c)
Then compare the number on the first page of the record that you were handed with
  sha256sum manifest.sha256
To check a signature, with the maker's public key in a file SIGNERS (one line: their e-mail, then the key):
  ssh-keygen -Y verify -f SIGNERS -I E-MAIL -n podfall-record -s seal.sha256.sig < seal.sha256
",
        version = facts.podfall,
    )
}
