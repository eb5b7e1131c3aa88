//! The look of pages: plain, large, legible outdoors on a narrow phone and on paper, by day and at night. Colour only ever
//! underlines what words and signs say.

use std::fmt::Write as _;
use std::sync::LazyLock;

/// The colours of a page, each as `#rrggbb`.
struct Palette {
    ink: &'static str,
    paper: &'static str,
    /// What matters less.
    soft: &'static str,
    line: &'static str,
    link: &'static str,
    /// Behind keys.
    keys: &'static str,
    /// What must not be overlooked, and what is behind it.
    mind: &'static str,
    mind_paper: &'static str,
}

const LIGHT: Palette = Palette {
    ink: "#14171c",
    paper: "#ffffff",
    soft: "#454b57",
    line: "#6d7482",
    link: "#0a4a9e",
    keys: "#e9edf3",
    mind: "#7a1400",
    mind_paper: "#fdeee9",
};

const DARK: Palette = Palette {
    ink: "#f3f4f6",
    paper: "#101216",
    soft: "#c3c8d1",
    line: "#8c94a3",
    link: "#a3c8ff",
    keys: "#262c36",
    mind: "#ffd6cb",
    mind_paper: "#3b1710",
};

impl Palette {
    fn variables(&self) -> String {
        let Palette { ink, paper, soft, line, link, keys, mind, mind_paper } = self;
        format!(
            "--ink:{ink};--paper:{paper};--soft:{soft};--line:{line};--link:{link};--keys:{keys};--mind:{mind};\
             --mind-paper:{mind_paper}"
        )
    }
}

/// Sizes follow the reader's own; nothing to tap is lower than 44 px (WCAG 2.2, 2.5.5).
const RULES: &str = "
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%;text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1.0625rem/1.5 system-ui,sans-serif;overflow-wrap:break-word}
main{max-width:44rem;margin:0 auto;padding:.75rem 1rem 3rem}
h1{font-size:2rem;line-height:1.15;margin:.5rem 0 .25rem}
h2{font-size:1.375rem;line-height:1.25;margin:2rem 0 .5rem;padding-top:.75rem;border-top:3px solid var(--ink)}
h3{font-size:1.0625rem;margin:0 0 .25rem}
p,ul,ol{margin:.5rem 0}
ul{padding-left:1.25rem}
li+li{margin-top:.5rem}
a{color:var(--link);text-underline-offset:.15em}
a:focus-visible,input:focus-visible{outline:3px solid var(--link);outline-offset:2px}
.where{font-size:1.25rem;margin-top:0}
.soft{color:var(--soft)}
.ring{font-size:1.25rem}
.ring a{display:inline-block;padding:.35rem 0;font-weight:700;white-space:nowrap}
.go{font-size:1.25rem}
.go a{display:inline-block;padding:.5rem 0;font-weight:700;overflow-wrap:anywhere}
.mind{background:var(--mind-paper);color:var(--mind);border:2px solid var(--mind);border-radius:.25rem;padding:.5rem .75rem;font-weight:600}
ol.lines{list-style:none;padding:0}
ol.lines>li{border:1px solid var(--line);border-radius:.25rem;padding:.75rem;margin:0 0 1rem;break-inside:avoid}
.keys{display:flex;flex-wrap:wrap;gap:.5rem;margin:.25rem 0 .5rem;font:700 1.75rem/1.2 ui-monospace,'DejaVu Sans Mono',monospace}
.keys span{background:var(--keys);border:1px solid var(--line);border-radius:.25rem;padding:.25rem .5rem;max-width:100%}
fieldset{border:0;margin:.5rem 0 0;padding:0;min-width:0}
legend{padding:0;font-weight:600}
label{display:flex;gap:.75rem;align-items:center;min-height:44px}
input{width:1.5rem;height:1.5rem;flex:none;margin:0;accent-color:var(--link)}
pre{white-space:pre-wrap;overflow-wrap:anywhere;border:1px solid var(--line);border-radius:.25rem;padding:.75rem;font:.9375rem/1.4 ui-monospace,'DejaVu Sans Mono',monospace}
.link{overflow-wrap:anywhere}
@media (max-width:24rem){.keys{font-size:1.625rem;gap:.375rem}}
@media print{
@page{margin:14mm}
body{font-size:11pt}
main{max-width:none;padding:0}
h1{font-size:18pt}
h2{font-size:13pt;margin-top:14pt;break-after:avoid}
.where,.ring{font-size:12pt}
.keys{font-size:15pt;gap:5pt}
ol.lines>li{padding:5pt;margin:0 0 6pt}
p,ul,ol{margin:3pt 0}
label{min-height:0;display:inline-flex;gap:4pt;margin-right:14pt}
input{width:11pt;height:11pt}
a{color:inherit;text-decoration:none}
pre{font-size:9pt;break-inside:avoid}
.screen{display:none}
}
";

/// The screens of a visit. A target is at least 64 px high, and nothing needs scrolling on 320 by 568; two answers side by
/// side differ in place, sign and word.
const VISIT: &str = "
#visit{max-width:32rem;padding:.375rem .625rem .5rem;display:flex;flex-direction:column;gap:.3125rem;min-height:100vh;min-height:100dvh;outline:0}
#visit[hidden],#paper[hidden]{display:none}
#visit>*{margin:0;flex:none}
#visit>.answers{margin-top:auto}
#visit h1{font-size:1.375rem}
#visit header h1{font-size:1rem;font-weight:400}
#visit h2{font-size:1rem;margin:0;padding:0;border:0}
#visit h2.ask{font-size:1.375rem}
#visit ul{padding-left:1.25rem;margin:.25rem 0}
#visit header{display:flex;flex-wrap:wrap;gap:0 .5rem;justify-content:space-between;align-items:baseline;border-bottom:2px solid var(--ink);line-height:1.3}
#visit header small{font-size:.6875rem}
#visit .state{color:var(--soft);font-size:.75rem}
#visit .lead{font-weight:700;line-height:1.25}
#visit .mind{padding:.125rem .5rem;line-height:1.25;font-size:.875rem}
#visit .what{line-height:1.25;font-size:.875rem}
#visit .ring{display:flex;align-items:center;justify-content:center;min-height:48px;padding:0 .5rem;border:2px solid var(--link);border-radius:.5rem;font-size:1.125rem;font-weight:700;text-align:center}
#visit .keys{gap:.25rem .375rem;font-size:1.625rem;line-height:1.1;margin:0}
#visit .keys span{padding:.125rem .375rem;overflow-wrap:anywhere}
#visit .keys .is-letter{border:3px double var(--ink);border-radius:50%;padding:.125rem .5rem}
#visit .keys.few{font-size:2.25rem}
#visit .keys .is-gap{font-size:1rem;font-style:italic}
#visit .letters{font-weight:700;line-height:1.2}
#visit .clocks{font-variant-numeric:tabular-nums;font-weight:700;line-height:1.2;font-size:.9375rem}
#visit .clocks span{margin-right:.75rem}
#visit .answers{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(8.5rem,100%),1fr));gap:.5rem}
#visit .answers.one{grid-template-columns:1fr}
#visit .answers.odd>:last-child{grid-column:1/-1}
#visit button{font:inherit;color:inherit;background:var(--paper);border:2px solid var(--line);border-radius:.5rem;min-height:44px;padding:.25rem .5rem;display:inline-flex;align-items:center;justify-content:center;gap:.375rem;cursor:pointer;touch-action:manipulation;overflow-wrap:anywhere}
#visit button.answer{min-height:66px;flex-wrap:wrap;font-weight:700;font-size:1rem;padding:.125rem .25rem;line-height:1.15;border-width:3px;border-color:var(--ink);gap:0 .375rem}
#visit button.answer small{flex-basis:100%;font-weight:400;font-size:.75rem;line-height:1.2}
#visit button.yes{border-radius:2rem}
#visit button.no{border-radius:0}
#visit button.none{border-style:dashed}
#visit button.drop{border-style:dotted}
#visit button.go{min-height:64px;font-weight:700;font-size:1.25rem;border-width:3px;border-color:var(--ink);background:var(--keys)}
#visit button:focus-visible,#visit textarea:focus-visible,#visit select:focus-visible,#visit summary:focus-visible{outline:3px solid var(--link);outline-offset:2px}
#visit svg{width:1.375rem;height:1.375rem;flex:none;fill:none;stroke:currentColor;stroke-width:2.5;stroke-linecap:round;stroke-linejoin:round}
#visit nav{display:grid;grid-template-columns:repeat(auto-fit,minmax(4.25rem,1fr));gap:.25rem}
#visit nav>p{grid-column:1/-1;margin:0;font-size:.875rem;line-height:1.25}
#visit button.small,#visit nav summary{flex-direction:column;gap:0;font-size:.75rem;line-height:1.1;min-height:52px;padding:.125rem}
#visit nav summary{min-height:52px}
#visit nav .more[open]{grid-column:1/-1}
#visit nav .more>*{margin-bottom:.375rem}
#visit details>button{width:100%}
#visit summary{min-height:44px;display:flex;align-items:center;padding:0 .5rem;border:2px solid var(--line);border-radius:.5rem;cursor:pointer;justify-content:center}
#visit summary::before{content:'+';font-weight:700;font-size:1.25rem;line-height:1.2;margin:0 .5rem}
#visit details[open]>summary::before{content:'-'}
#visit .asked{display:flex;flex-wrap:wrap;gap:.25rem .5rem;align-items:center}
#visit .asked label{min-height:0}
#visit .asked input{flex:1 1 6rem;min-width:0;width:auto;height:auto;min-height:44px;font:inherit;padding:0 .5rem}
#visit select{width:100%;min-height:64px;font:inherit;font-size:1.125rem;padding:0 .5rem;color:inherit;background:var(--paper);border:2px solid var(--line);border-radius:.5rem}
#visit textarea{width:100%;font:inherit;padding:.25rem .5rem;color:inherit;background:var(--paper);border:2px solid var(--line);border-radius:.25rem}
#visit input{color:inherit;background:var(--paper);border:2px solid var(--line);border-radius:.25rem}
#visit .above{min-height:0;font-weight:700}
#visit .big{font-size:2.25rem;text-align:center;border:4px solid var(--ink);padding:.5rem;border-radius:.5rem}
#waiting button{font:inherit;font-weight:700;color:inherit;background:var(--keys);border:3px solid var(--ink);border-radius:.5rem;min-height:64px;width:100%;cursor:pointer}
#visit .square{width:100%;max-width:24rem;height:auto;background:#fff;fill:#000;stroke:none;display:block;margin:.5rem auto}
@media (orientation:landscape) and (max-height:30rem){#visit{max-width:none}#visit .answers{grid-template-columns:repeat(auto-fit,minmax(7rem,1fr))}#visit .answers.odd>:last-child{grid-column:auto}}
@media print{#visit{display:none}#paper[hidden]{display:block}}
";

/// The style sheet of the visit page.
pub(super) fn visit_sheet() -> &'static str {
    static SHEET: LazyLock<String> = LazyLock::new(|| format!("{}{VISIT}", sheet()));
    &SHEET
}

/// The style sheet, the same for every page.
pub(super) fn sheet() -> &'static str {
    static SHEET: LazyLock<String> = LazyLock::new(|| {
        let (light, dark) = (LIGHT.variables(), DARK.variables());
        let mut sheet = String::new();
        let _ = write!(
            sheet,
            ":root{{color-scheme:light dark;{light}}}\
             @media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\
             @media print{{:root{{color-scheme:light}}}}{RULES}"
        );
        sheet
    });
    &SHEET
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The relative luminance of a colour, by WCAG 2.2's definition.
    fn luminance(colour: &str) -> f64 {
        let part = |at: usize| {
            let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    }

    /// The contrast ratio of two colours, by the same.
    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// Published with the definition: black on white is 21:1; and a grey that just passes 4.5:1 on white.
    #[test]
    fn the_formula_gives_the_published_ratios() {
        assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
        assert!((contrast("#767676", "#ffffff") - 4.54).abs() < 0.01);
        assert!((contrast("#ffffff", "#ffffff") - 1.0).abs() < 1e-9);
    }

    #[test]
    fn text_stands_out_seven_to_one_and_edges_three_to_one_by_day_and_at_night() {
        for palette in [LIGHT, DARK] {
            let Palette { ink, paper, soft, line, link, keys, mind, mind_paper } = palette;
            for (text, behind) in [
                (ink, paper),
                (soft, paper),
                (link, paper),
                (ink, keys),
                (mind, mind_paper),
                (mind, paper),
                (link, mind_paper),
            ] {
                assert!(contrast(text, behind) >= 7.0, "{text} on {behind}: {}", contrast(text, behind));
            }
            for edge in [line, link, mind] {
                assert!(contrast(edge, paper) >= 3.0, "{edge} on {paper}");
            }
        }
    }

    #[test]
    fn every_colour_of_the_rules_comes_from_the_palettes() {
        assert!(!RULES.contains('#'));
        // A code to photograph is black on white, whatever the hour.
        let visit = ["#visit", "#paper", "#waiting"]
            .iter()
            .fold(VISIT.to_owned(), |all, id| all.replace(id, ""))
            .replace("#fff;fill:#000", "");
        assert!(!visit.contains('#'));
        let used = [RULES, VISIT]
            .into_iter()
            .flat_map(|rules| rules.split("var(--").skip(1))
            .filter_map(|rest| rest.split(')').next());
        used.for_each(|name| assert!(LIGHT.variables().contains(&format!("--{name}:")), "{name}"));
    }
}
