//! A sheet of 300 stations as a spreadsheet of years gives it away: true rows, and dirt on some of them. Whoever fixes it may touch
//! only what a finding named.

/// How many stations there are.
pub const STATIONS: usize = 300;

const HEADER: [&str; 12] = [
    "Station",
    "site",
    "number",
    "where",
    "number.first",
    "number.second",
    "identity",
    "volume",
    "access",
    "at",
    "by",
    "Owner",
];
const STATION: usize = 0;
const SITE: usize = 1;
const NUMBER: usize = 2;
const FIRST: usize = 4;
const IDENTITY: usize = 6;
const VOLUME: usize = 7;
const ACCESS: usize = 8;
const AT: usize = 9;

/// What is done to a row.
#[derive(Debug, Clone, Copy)]
pub enum Dirt {
    /// A cell is written in another way.
    Cell(usize, fn(&str) -> String),
    /// A cell holds what the next row's does.
    OfNext(usize),
    /// The row stands there again, with this in a cell.
    Again(usize, &'static str),
    /// The row and the next are one.
    Merged,
    /// A row follows that is no station.
    Below(&'static str),
    /// The text of the row breaks the format.
    Raw(fn(&str) -> String),
}

/// What comes of it.
#[derive(Debug, Clone, Copy)]
pub enum Said {
    /// It is read as it is meant.
    Nothing,
    /// `new` names it, with this code.
    New(&'static str),
    /// `report --try` names it, with this code.
    Report(&'static str),
}

/// Every kind of dirt on a row; beside these the whole file is in another encoding, has semicolons between its cells, and a column that
/// is nobody's.
pub const DIRT: [(&str, Dirt, Said); 25] = [
    ("a row twice", Dirt::Again(VOLUME, "7"), Said::New("name-repeated")),
    ("a row twice, and not the same", Dirt::Again(VOLUME, "3"), Said::New("name-repeated")),
    ("the number of another station", Dirt::OfNext(NUMBER), Said::New("number-shared")),
    ("the identity of another station", Dirt::OfNext(IDENTITY), Said::New("locating-shared")),
    ("an identity without its zero", Dirt::Cell(IDENTITY, |text| text[1..].into()), Said::New("value-outside")),
    ("a number without its plus", Dirt::Cell(NUMBER, |text| text[1..].into()), Said::New("not-e164")),
    ("a number without its zero", Dirt::Cell(NUMBER, |text| text[3..].into()), Said::New("not-e164")),
    ("a number that was shortened", Dirt::Cell(NUMBER, |_| "4.41633E+11".into()), Said::New("not-e164")),
    ("a letter for a digit", Dirt::Cell(NUMBER, |text| text.replacen("960", "96O", 1)), Said::New("not-e164")),
    ("a number as it is dialled at home", Dirt::Cell(NUMBER, |text| format!("01632 {}", &text[7..])), Said::Nothing),
    ("a number with brackets", Dirt::Cell(NUMBER, |text| format!("+44 (0)1632-{}", &text[7..])), Said::Nothing),
    ("a number to call that was shortened", Dirt::Cell(FIRST, |_| "1.1349601E+09".into()), Said::New("value-outside")),
    ("two names in one cell", Dirt::Merged, Said::New("name-unfit")),
    ("cells of a site that were merged", Dirt::Cell(SITE, |_| String::new()), Said::New("key-missing")),
    ("a total at the end", Dirt::Below("Total,,,,,,,2100,,,,"), Said::New("key-missing")),
    ("a row of empty cells", Dirt::Below(",,,,,,,,,,,"), Said::Nothing),
    ("spaces behind", Dirt::Cell(STATION, |text| format!("{text}  ")), Said::Nothing),
    ("a no-break space", Dirt::Cell(IDENTITY, |text| format!("\u{a0}{text}")), Said::Nothing),
    ("a character that nobody sees", Dirt::Cell(STATION, |text| format!("{text}\u{200b}")), Said::New("name-unfit")),
    ("a code written out", Dirt::Cell(ACCESS, |_| "2580".into()), Said::New("secret-literal")),
    ("a value that the model cannot hold", Dirt::Cell(VOLUME, |_| "12".into()), Said::New("value-outside")),
    ("an error of the spreadsheet", Dirt::Cell(IDENTITY, |_| "#REF!".into()), Said::New("value-outside")),
    ("a quote within a cell", Dirt::Raw(|row| row.replacen("Pier", "\" Pier\"x", 1)), Said::New("wrong-shape")),
    ("a date that can be read as two days", Dirt::Cell(AT, |_| "03/04/2026".into()), Said::Report("report-time")),
    ("a date that has not come yet", Dirt::Cell(AT, |_| "2031-01-01".into()), Said::Report("report-time")),
];

/// A line of the sheet.
struct Line {
    cells: Vec<String>,
    /// Its text, where it is no table's row.
    raw: Option<String>,
    /// The true rows that it stands for; none where it is no station.
    truth: Vec<usize>,
}

/// A sheet, and what is true.
pub struct Sheet {
    truth: Vec<Vec<String>>,
    header: Vec<String>,
    lines: Vec<Line>,
    is_latin: bool,
    has_semicolons: bool,
    /// How often somebody changed something.
    pub answers: usize,
}

fn true_row(nth: usize) -> Vec<String> {
    let first = if nth.is_multiple_of(3) { "01134960115" } else { "01134960101" };
    let cells = [
        format!("MW-{nth:03}"),
        format!("site {}", nth / 25 + 1),
        format!("+441632960{nth:03}"),
        format!("Pier {}, café side", nth % 40),
        first.into(),
        "01134960102".into(),
        format!("{:04}", 100 + nth),
        if nth.is_multiple_of(50) { "4" } else { "7" }.into(),
        "file:secrets/access".into(),
        format!("2026-0{}-{:02}", nth % 9 + 1, nth % 28 + 1),
        "tech-07".into(),
        "Port".into(),
    ];
    cells.into()
}

impl Sheet {
    /// Dirt of every kind, each on a row of its own, and local dates on every tenth of the others.
    pub fn new(seed: usize) -> Sheet {
        let truth: Vec<Vec<String>> = (0..STATIONS).map(true_row).collect();
        let mut lines: Vec<Line> = truth
            .iter()
            .enumerate()
            .map(|(nth, cells)| Line { cells: cells.clone(), raw: None, truth: vec![nth] })
            .collect();
        let mut sheet = Sheet {
            truth,
            header: HEADER.map(str::to_owned).into(),
            lines: Vec::new(),
            is_latin: true,
            has_semicolons: true,
            answers: 0,
        };
        // From the end, so that what is put in moves no row that is still to come. No two of them are neighbours.
        let mut rows: Vec<(usize, Dirt)> = DIRT
            .iter()
            .enumerate()
            .map(|(nth, (_, dirt, _))| ((seed * 7 + 11 * nth) % (STATIONS - 1), *dirt))
            .collect();
        rows.sort_by_key(|(row, _)| std::cmp::Reverse(*row));
        rows.into_iter().for_each(|(row, dirt)| soil(&mut lines, &sheet.truth, row, dirt));
        let is_clean =
            |line: &&mut Line| line.raw.is_none() && line.truth.iter().any(|nth| sheet.truth[*nth] == line.cells);
        for line in lines.iter_mut().filter(is_clean).step_by(10) {
            let date: Vec<&str> = line.cells[AT].split('-').collect();
            line.cells[AT] = format!("{}.{}.{}", date[2], date[1], date[0]);
        }
        sheet.lines = lines;
        sheet
    }

    fn separator(&self) -> char {
        if self.has_semicolons { ';' } else { ',' }
    }

    fn row(&self, cells: &[String]) -> String {
        let separator = self.separator();
        let shown = cells.iter().map(|cell| match cell.contains([separator, '"']) {
            true => format!("\"{}\"", cell.replace('"', "\"\"")),
            false => cell.clone(),
        });
        shown.collect::<Vec<_>>().join(&separator.to_string())
    }

    fn text(&self, line: &Line) -> String {
        line.raw.clone().filter(|_| !self.has_semicolons).unwrap_or_else(|| self.row(&line.cells))
    }

    /// The file.
    pub fn bytes(&self) -> Vec<u8> {
        let lines = std::iter::once(self.row(&self.header)).chain(self.lines.iter().map(|line| self.text(line)));
        let text: String = lines.map(|line| line + "\r\n").collect();
        match self.is_latin {
            true => text.chars().map(|sign| u8::try_from(u32::from(sign)).unwrap_or(b'?')).collect(),
            false => format!("\u{feff}{text}").into_bytes(),
        }
    }

    /// Fixes what a finding names: the file as a whole, or a cell or row at a place (line and column, from 1). Whether that changed
    /// anything.
    pub fn fix(&mut self, code: &str, fix: &str, line: usize, column: usize) -> bool {
        let before = self.bytes();
        match (code, line) {
            ("not-text", _) => self.is_latin = false,
            (_, 1) if fix.contains("commas") => self.has_semicolons = false,
            (_, 1) => {
                let at = self.cell_at(&self.row(&self.header), column);
                let name = &mut self.header[at];
                if fix.contains(&format!("({name})")) {
                    *name = format!("({name})");
                }
            }
            (_, _) => self.fix_row(code, line - 2, column),
        }
        let has_changed = before != self.bytes();
        self.answers += usize::from(has_changed);
        has_changed
    }

    fn fix_row(&mut self, code: &str, at: usize, column: usize) {
        let Some(line) = self.lines.get(at) else { return };
        let cell = self.cell_at(&self.text(line), column);
        match (&line.truth[..], code) {
            ([], _) => drop(self.lines.remove(at)),
            ([truth], "wrong-shape") => {
                self.lines[at] = Line { cells: self.truth[*truth].clone(), raw: None, truth: vec![*truth] };
            }
            ([truth], _) => self.lines[at].cells[cell] = self.truth[*truth][cell].clone(),
            (several, _) => {
                let several = several.to_vec();
                let rows =
                    several.iter().map(|nth| Line { cells: self.truth[*nth].clone(), raw: None, truth: vec![*nth] });
                self.lines.splice(at..=at, rows.collect::<Vec<_>>());
            }
        }
    }

    /// Which cell begins at or before a column.
    fn cell_at(&self, text: &str, column: usize) -> usize {
        let (mut cell, mut is_quoted) = (0, false);
        for sign in text.chars().take(column - 1) {
            is_quoted ^= sign == '"';
            cell += usize::from(sign == self.separator() && !is_quoted);
        }
        cell.min(HEADER.len() - 1)
    }

    /// The line of the file, from 1, that has dirt of a kind: where it is a row too many, that one.
    pub fn line_of(&self, seed: usize, kind: usize) -> usize {
        let name = &self.truth[(seed * 7 + 11 * kind) % (STATIONS - 1)][STATION];
        let row = self.lines.iter().position(|line| line.cells[STATION].contains(&**name)).unwrap_or(0);
        row + if matches!(DIRT[kind].1, Dirt::Again(..) | Dirt::Below(_)) { 3 } else { 2 }
    }
}

fn soil(lines: &mut Vec<Line>, truth: &[Vec<String>], row: usize, dirt: Dirt) {
    let copy = |cells: Vec<String>| Line { cells, raw: None, truth: Vec::new() };
    match dirt {
        Dirt::Cell(cell, write) => lines[row].cells[cell] = write(&truth[row][cell]),
        Dirt::OfNext(cell) => lines[row].cells[cell] = truth[row + 1][cell].clone(),
        Dirt::Again(cell, text) => {
            let mut again = copy(truth[row].clone());
            again.cells[cell] = text.into();
            lines.insert(row + 1, again);
        }
        Dirt::Merged => {
            let next = lines.remove(row + 1);
            lines[row].cells[STATION] = format!("{}/{}", truth[row][STATION], truth[row + 1][STATION]);
            lines[row].truth.extend(next.truth);
        }
        Dirt::Below(text) => lines.insert(row + 1, copy(text.split(',').map(str::to_owned).collect())),
        Dirt::Raw(write) => lines[row].raw = Some(write(&truth[row].join(","))),
    }
}
