//! The steps of a run's record, and which of them speaks of the picture.

use serde_json::Value;

/// The steps of a record.
pub(super) struct Nodes<'r> {
    all: Vec<&'r Value>,
    /// Indices of the steps that lead to the picture, the nearest first.
    chain: Vec<usize>,
}

impl<'r> Nodes<'r> {
    /// The steps of a record.
    pub fn of(record: &'r Value) -> Self {
        let all: Vec<&Value> = record["nodes"].as_array().into_iter().flatten().collect();
        let named = |name: &str| all.iter().position(|node| plain(step(node)) == name);
        let mut chain: Vec<usize> = named("results.picture").or_else(|| named("picture")).into_iter().collect();
        let mut at = 0;
        while let Some(index) = chain.get(at) {
            for giver in givers(all[*index]) {
                let found = all.iter().position(|node| step(node) == giver);
                if let Some(found) = found.filter(|found| !chain.contains(found)) {
                    chain.push(found);
                }
            }
            at += 1;
        }
        Self { all, chain }
    }

    /// The first step that assesses and tells of a channel.
    pub fn assessed(&self, prefix: &str) -> Option<&'r Value> {
        self.all.iter().copied().find(|node| node["contract"] == "assess" && Self::entry(node, prefix).is_some())
    }

    /// The step that measured the noise of the picture, or of what comes nearest to it. A sharpening step may tell the
    /// noise of the stack that it was given, under the same name.
    pub fn noise_of_picture(&self) -> Option<&'r Value> {
        let assess = self.all.iter().filter(|n| n["contract"] == "assess" && Self::finest_noise(n).is_some());
        let far = |node: &Value| {
            let places = givers(node).filter_map(|g| self.chain.iter().position(|index| step(self.all[*index]) == g));
            places.min().unwrap_or(usize::MAX)
        };
        assess.copied().min_by_key(|node| far(node))
    }

    /// The last step on the way to the picture that tells of a channel what sharpening does, or the first anywhere.
    pub fn sharpening(&self, prefix: &str) -> Option<&'r Value> {
        let tells = |node: &&&Value| Self::entry(node, prefix).is_some();
        let on_the_way = self.chain.iter().map(|index| &self.all[*index]).find(tells);
        on_the_way.or_else(|| self.all.iter().find(tells)).copied()
    }

    /// A number of any step.
    pub fn number(&self, name: &str) -> Option<f64> {
        let entries = self.all.iter().flat_map(|n| n["entries"].as_array().into_iter().flatten());
        entries.filter(|e| e["name"] == name).find_map(|e| e["value"].as_f64())
    }

    /// The entry of the green channel, or of the one that there is.
    pub fn find(node: &'r Value, prefix: &str) -> Option<&'r Value> {
        Self::of_channel(node, prefix, "")
    }

    /// The number of the green channel, or of the one that there is.
    pub fn entry(node: &Value, prefix: &str) -> Option<f64> {
        Nodes::of_channel(node, prefix, "")?["value"].as_f64()
    }

    /// Noise of detail of 1 px, white levels.
    pub fn finest_noise(node: &Value) -> Option<f64> {
        Nodes::of_channel(node, "noise-", "-1px")?["value"].as_f64()
    }

    fn of_channel(node: &'r Value, prefix: &str, suffix: &str) -> Option<&'r Value> {
        let entries = node["entries"].as_array()?;
        let named = |channel: &str| {
            let name = format!("{prefix}{channel}{suffix}");
            entries.iter().find(|e| e["name"] == name.as_str())
        };
        named("green").or_else(|| named("mono"))
    }
}

fn step(node: &Value) -> &str {
    node["step"].as_str().unwrap_or_default()
}

/// `results.picture[2]` is the second picture of those called so.
fn plain(step: &str) -> &str {
    step.split('[').next().unwrap_or_default()
}

/// The steps that a step is linked to: a link reads `port <- step.port`.
fn givers(node: &Value) -> impl Iterator<Item = &str> {
    let links = node["links"].as_array().into_iter().flatten().filter_map(Value::as_str);
    let from = links.filter_map(|link| link.split_once(" <- ").map(|(_, from)| from));
    from.map(|from| from.rsplit_once('.').map_or(from, |(step, _)| step))
}
