//! Topic names and filters (MQTT 3.1.1, section 4.7).

/// Whether a topic name may be published to.
pub(crate) fn is_topic(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0'])
}

/// Whether a filter is well formed (MQTT 3.1.1, section 4.7.1).
pub(crate) fn is_filter(filter: &str) -> bool {
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    !filter.is_empty()
        && !filter.contains('\0')
        && !filter.starts_with("$share/")
        && levels.iter().enumerate().all(|(index, level)| {
            let has_wildcard = level.contains(['+', '#']);
            !has_wildcard || *level == "+" || (*level == "#" && index == last)
        })
}

/// Whether a filter takes a topic (MQTT 3.1.1, sections 4.7.1 and 4.7.2).
pub(crate) fn matches(filter: &str, topic: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut topics = topic.split('/');
    let mut filters = filter.split('/');
    loop {
        match (filters.next(), topics.next()) {
            (Some("#"), _) | (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(filter), Some(topic)) if filter == topic => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_match_as_the_standard_says() {
        for (filter, topic, expected) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/score/wimbledon",
                true,
            ),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/x", false),
            ("$SYS/#", "$SYS/x", true),
            ("é/#", "é/x", true),
        ] {
            assert_eq!(matches(filter, topic), expected, "{filter} {topic}");
        }
        for (filter, expected) in [
            ("#", true),
            ("a/#/b", false),
            ("a#", false),
            ("a/+b", false),
            ("", false),
            ("+/a/#", true),
        ] {
            assert_eq!(is_filter(filter), expected, "{filter}");
        }
    }
}
