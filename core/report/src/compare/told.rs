//! What sets runs apart, in few words: what all share is said once.

use super::Row;

/// What sets the runs of a comparison apart.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Told {
    /// The settings that differ, without their values: `sharp.use = sharpen.…`; "" where there are none.
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
        let mut own: Vec<Vec<&str>> = vec![Vec::new(); rows.len()];
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

    /// What to call a run: its number, what only it has, and its clip where that is not the same for all.
    pub fn label(&self, row: &Row, rows: &[Row]) -> String {
        let own = self.own.get(row.number - 1).filter(|own| !own.is_empty());
        let many_clips = rows.iter().any(|other| other.clip != row.clip);
        let clip = Some(&row.clip).filter(|_| many_clips || own.is_none());
        let words = [own, clip].into_iter().flatten().cloned();
        std::iter::once(row.number.to_string()).chain(words).collect::<Vec<_>>().join(" · ")
    }
}

/// What settings of one key share, and the rest of each; of methods of one family the family too.
fn split<'w>(words: &[&'w str]) -> (String, Vec<&'w str>) {
    let parted: Option<Vec<(&str, &str)>> = words.iter().map(|word| word.split_once('=')).collect();
    let Some(parted) = parted.filter(|p| p.windows(2).all(|pair| pair[0].0 == pair[1].0)) else {
        return (String::new(), words.to_vec());
    };
    let key = parted[0].0;
    let families: Option<Vec<(&str, &str)>> = parted.iter().map(|(_, value)| value.split_once('.')).collect();
    match families.filter(|f| key.ends_with(".use") && f.windows(2).all(|pair| pair[0].0 == pair[1].0)) {
        Some(families) => {
            (format!("{key} = {}.…", families[0].0), families.iter().map(|(_, method)| *method).collect())
        }
        None => (key.to_string(), parted.iter().map(|(_, value)| *value).collect()),
    }
}
