//! What sets runs apart, in few words: what all share is said once.

use super::Row;

/// Most letters of a clip's name in a list.
const LONGEST: usize = 26;

/// What sets the runs of a comparison apart.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Told {
    /// The settings that differ, without their values: `weights.power, sharp.use (sharpen)`; "" where there are none.
    pub what: String,
    /// Settings that all runs share.
    pub shared: Vec<String>,
    /// For each run, what only it has; "" where the ways are all alike.
    pub own: Vec<String>,
}

impl Told {
    /// Looks at the words of all runs place by place.
    pub fn of(rows: &[Row]) -> Self {
        let places = rows.first().map_or(0, |row| row.words.len());
        if rows.iter().any(|row| row.words.len() != places) {
            return Self { own: rows.iter().map(|row| row.name.clone()).collect(), ..Self::default() };
        }
        let (mut what, mut shared) = (Vec::new(), Vec::new());
        let mut own: Vec<Vec<String>> = vec![Vec::new(); rows.len()];
        for place in 0..places {
            let words: Vec<&str> = rows.iter().map(|row| row.words[place].as_str()).collect();
            if words.windows(2).all(|pair| pair[0] == pair[1]) {
                shared.push(words[0].to_string());
                continue;
            }
            let (head, rest) = split(&words);
            if !head.is_empty() {
                what.push(head);
            }
            own.iter_mut().zip(rest).for_each(|(own, rest)| own.push(rest));
        }
        let own = own.iter().map(|words| words.join(", ")).collect();
        Self { what: what.join(", "), shared, own }
    }

    /// The label with a long name of the clip cut in its middle, for lists that must fit a small screen.
    pub fn short_label(&self, row: &Row, rows: &[Row]) -> String {
        let name: Vec<char> = row.clip.chars().collect();
        let label = self.label(row, rows);
        if name.len() <= LONGEST {
            return label;
        }
        let end = LONGEST / 2;
        let part = |from: usize, to: usize| name[from..to].iter().collect::<String>();
        let short = format!("{}…{}", part(0, LONGEST - end - 1), part(name.len() - end, name.len()));
        label.replace(&row.clip, &short)
    }

    /// What to call a run: its number, what only it has, and its clip where that is not the same for all.
    pub fn label(&self, row: &Row, rows: &[Row]) -> String {
        let own = self.own.get(row.number - 1).filter(|own| !own.is_empty());
        let many_clips = rows.iter().any(|other| other.clip != row.clip);
        let clip = Some(&row.clip).filter(|_| many_clips || own.is_none());
        let words = [own, clip].into_iter().flatten().cloned();
        std::iter::once(row.number.to_string()).chain(words).collect::<Vec<_>>().join(" · ")
    }
}

/// What settings of one key share, and the rest of each: of methods their names, without the family if it is one, of
/// parameters their value after the parameter's name, since a bare number says nothing.
fn split(words: &[&str]) -> (String, Vec<String>) {
    let parted: Option<Vec<(&str, &str)>> = words.iter().map(|word| word.split_once('=')).collect();
    let Some(parted) = parted.filter(|p| p.windows(2).all(|pair| pair[0].0 == pair[1].0)) else {
        return (String::new(), words.iter().map(|word| (*word).to_string()).collect());
    };
    let key = parted[0].0;
    let Some(step) = key.strip_suffix(".use") else {
        let name = key.rsplit_once('.').map_or(key, |(_, name)| name);
        return (key.to_string(), parted.iter().map(|(_, value)| format!("{name} {value}")).collect());
    };
    let families: Option<Vec<(&str, &str)>> = parted.iter().map(|(_, value)| value.split_once('.')).collect();
    match families.filter(|f| f.windows(2).all(|pair| pair[0].0 == pair[1].0)) {
        Some(families) => {
            let methods = families.iter().map(|(_, method)| (*method).to_string()).collect();
            (format!("{step}.use ({})", families[0].0), methods)
        }
        None => (key.to_string(), parted.iter().map(|(_, value)| (*value).to_string()).collect()),
    }
}
