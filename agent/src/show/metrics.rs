//! `metrics.prom`: the figures in the Prometheus text format 0.0.4, for a node's text-file collector.

use pintle_core::moment::Utc;
use pintle_core::wire::health::HealthBody;
use std::fmt::Write;

pub(super) fn metrics(body: &HealthBody) -> String {
    let mut out = Metrics { text: String::new(), trailer: label(&body.trailer.id) };
    out.gauge(
        "pintle_health_generation",
        "Number of the snapshot since the start of the process.",
        count(body.generation),
    );
    out.time("pintle_health_written_timestamp_seconds", "When the snapshot was written.", Some(&body.written));
    out.time("pintle_health_valid_until_timestamp_seconds", "Until when it may be believed.", Some(&body.valid_until));
    out.time("pintle_process_started_timestamp_seconds", "When the agent started.", Some(&body.process.started));
    let words = ["fine", "look", "act"].map(|word| (format!("word=\"{word}\""), flag(body.word == word)));
    out.family("pintle_word", "gauge", "1 for the word that holds.", &words);
    let lives = ["starting", "running", "stopped"].map(|life| (format!("life=\"{life}\""), flag(body.life == life)));
    out.family("pintle_life", "gauge", "1 for where the agent is between start and end.", &lives);
    let needs = body
        .needs
        .iter()
        .map(|need| (format!("code=\"{}\",urgency=\"{}\"", label(&need.code), label(&need.urgency)), "1".to_owned()));
    out.family("pintle_need", "gauge", "1 for each thing that a person must do.", &needs.collect::<Vec<_>>());
    place(&mut out, body);
    queue(&mut out, body);
    link(&mut out, body);
    cameras(&mut out, body);
    intake(&mut out, body);
    inputs(&mut out, body);
    computer(&mut out, body);
    out.text
}

fn place(out: &mut Metrics, body: &HealthBody) {
    let state = format!("state=\"{}\"", label(&body.place.state));
    out.family("pintle_place_state", "gauge", "1 for the state of the site keeper.", &[(state, "1".to_owned())]);
    out.gauge("pintle_place_verified", "1 if a fix since the start has agreed.", flag(body.place.verified));
    if let Some(site) = &body.place.site {
        out.gauge("pintle_site_number", "Number of the current site.", count(site.id));
        out.gauge("pintle_site_radius95_metres", "95 % radius of the current site.", site.radius95_m.to_string());
    }
    out.gauge(
        "pintle_adrift",
        "1 from leaving a site until arrival, halts on the way included.",
        flag(body.place.adrift_since.is_some()),
    );
    out.gauge("pintle_tow_announced", "1 while a tow is announced.", flag(body.place.tow.is_some()));
    if let Some(tow) = &body.place.tow {
        out.time("pintle_tow_until_timestamp_seconds", "When the announced tow ends by itself.", Some(&tow.until));
    }
    if let Some(fix) = &body.place.fix {
        out.gauge("pintle_fix_age_seconds", "Age of the newest fix when this was written.", fix.age_s.to_string());
    }
    let states = ["confirmed", "unconfirmed", "missing"].map(|state| {
        let lines = body.place_lines.iter().filter(|line| line.state == state).count();
        (format!("state=\"{state}\""), lines.to_string())
    });
    out.family("pintle_place_lines", "gauge", "Place lines by state.", &states);
}

fn queue(out: &mut Metrics, body: &HealthBody) {
    if let Some(ledger) = &body.ledger {
        let accounts = [
            ("waiting", ledger.waiting),
            ("delivered", ledger.delivered),
            ("expired", ledger.expired),
            ("evicted", ledger.evicted),
            ("refused", ledger.refused),
        ];
        let samples = accounts.map(|(account, n)| (format!("account=\"{account}\""), count(n)));
        out.family("pintle_ledger_events", "gauge", "Events of this generation by account.", &samples);
        out.gauge("pintle_ledger_accepted_up_to", "Highest sequence of this generation.", count(ledger.accepted_up_to));
        out.gauge(
            "pintle_ledger_not_accounted",
            "Events in no account; 0 unless something is wrong.",
            ledger.not_accounted.to_string(),
        );
        if let Some(pictures) = &ledger.pictures {
            let accounts = [
                ("sent", pictures.sent),
                ("waiting", pictures.waiting),
                ("expired", pictures.expired),
                ("evicted", pictures.evicted),
                ("refused", pictures.refused),
                ("not_carried", pictures.not_carried),
                ("lost", pictures.lost),
            ];
            let samples = accounts.map(|(account, n)| (format!("account=\"{account}\""), count(n)));
            out.family("pintle_ledger_pictures", "gauge", "Files of pictures by account.", &samples);
        }
        out.gauge("pintle_waiting_urgent", "Urgent events among the waiting.", count(ledger.waiting_urgent));
        out.time(
            "pintle_oldest_waiting_timestamp_seconds",
            "When the oldest waiting event was accepted.",
            ledger.oldest_waiting.as_ref(),
        );
        out.gauge("pintle_queue_bytes", "Bytes of the queue on disk.", count(ledger.bytes_on_disk));
        out.gauge("pintle_queue_disk_free_bytes", "Free bytes on that disk.", count(ledger.disk_free_bytes));
    }
    out.time(
        "pintle_last_receipt_timestamp_seconds",
        "When the last receipt came.",
        body.receiver.last_receipt.as_ref(),
    );
    out.gauge(
        "pintle_receiver_failures_in_a_row",
        "Tries that failed in a row.",
        body.receiver.failures_in_a_row.to_string(),
    );
    if let Some(relay) = &body.receiver.relay {
        let active = flag(relay.active);
        out.gauge("pintle_relay_active", "1 while urgent events go to the second receiver, too.", active);
        let failing = flag(relay.failing_since.is_some());
        out.gauge("pintle_relay_failing", "1 if its last try failed.", failing);
        let results = [("taken", relay.relayed), ("refused", relay.refused)];
        let results = results.map(|(result, events)| (format!("result=\"{result}\""), count(events)));
        out.family("pintle_relayed_total", "counter", "Urgent events that it has taken or refused.", &results);
        let help = "Hits that it had before the first receiver.";
        out.family("pintle_relay_hits_first_total", "counter", help, &[(String::new(), count(relay.hits_first))]);
    }
}

fn link(out: &mut Metrics, body: &HealthBody) {
    let link = &body.link;
    if link.state != "not fitted" {
        out.gauge("pintle_link_up", "1 while the tether's interface is up.", flag(link.state == "up"));
    }
    if let Some(rung) = &link.rung {
        let of = format!("rung=\"{}\"", label(rung));
        out.family("pintle_link_rung", "gauge", "1 for the first broken rung, or for up.", &[(of, flag(true))]);
        out.family(
            "pintle_link_breaks_total",
            "counter",
            "Breaks since the start.",
            &[(String::new(), count(link.breaks))],
        );
        out.gauge("pintle_link_unsteady", "1 while it breaks again and again.", flag(link.unsteady));
        out.gauge("pintle_link_probe_bytes", "Bytes that probes have cost today.", count(link.probe_bytes));
        let outages = [("day", link.outages_day), ("month", link.outages_month)];
        let counts = outages.map(|(span, sum)| (format!("span=\"{span}\""), count(sum.count)));
        out.family("pintle_link_outages", "gauge", "Outages that began within a day or 30 days.", &counts);
        let lengths = outages.map(|(span, sum)| (format!("span=\"{span}\""), count(sum.total_s)));
        out.family("pintle_link_outage_seconds", "gauge", "Their length in all.", &lengths);
    }
    let mut tell = |name: &str, help: &str, value: Option<String>| {
        if let Some(value) = value {
            out.gauge(name, help, value);
        }
    };
    let ms = |ms: u64| thousandths(i64::try_from(ms).unwrap_or(i64::MAX));
    tell("pintle_link_round_trip_seconds", "Round trip as last seen.", link.rtt_ms.map(ms));
    tell("pintle_link_up_bytes_per_second", "Pace of the last large sends.", link.bytes_per_s.map(count));
    let data = link.data.as_ref();
    tell("pintle_link_data_bytes", "Data used in this billing month.", data.map(|data| count(data.used_bytes)));
    tell("pintle_link_data_today_bytes", "Data used today (UTC).", data.map(|data| count(data.today_bytes)));
    tell("pintle_link_data_plan_bytes", "The data plan.", data.and_then(|data| data.plan_bytes).map(count));
    if let Some(data) = data {
        let of = ["none", "thumbnails", "no-images", "urgent-only"]
            .map(|word| (format!("level=\"{word}\""), flag(data.saving == word)));
        out.family("pintle_link_saving", "gauge", "1 for what is saved because of the data plan.", &of);
    }
    if let Some(ladder) = &link.ladder {
        out.gauge("pintle_link_steps", "Steps of the recovery ladder in 24 hours.", ladder.steps_day.to_string());
        let left = [("hour", ladder.hour_left), ("resets", ladder.resets_left), ("reboots", ladder.reboots_left)]
            .map(|(limit, left)| (format!("limit=\"{limit}\""), left.to_string()));
        out.family("pintle_link_steps_left", "gauge", "What the ladder may still do.", &left);
        out.gauge("pintle_link_lever_trouble", "1 while the lever does not do it.", flag(ladder.trouble.is_some()));
    }
    let hits = &link.hits.month;
    if 0 < hits.count {
        let of = [("0.5", hits.p50_ms), ("0.95", hits.p95_ms), ("0.99", hits.p99_ms)]
            .map(|(quantile, took)| (format!("quantile=\"{quantile}\""), ms(took)));
        let help = "Capture to receipt of hits, 30 days.";
        out.family("pintle_hit_latency_seconds", "gauge", help, &of);
    }
}

fn cameras(out: &mut Metrics, body: &HealthBody) {
    let of = |value: &dyn Fn(&pintle_core::wire::health::CameraBody) -> Option<String>| {
        let samples = body
            .cameras
            .iter()
            .filter_map(|camera| Some((format!("camera=\"{}\"", label(&camera.id)), value(camera)?)));
        samples.collect::<Vec<_>>()
    };
    out.family(
        "pintle_camera_reads_total",
        "counter",
        "Reads since the start.",
        &of(&|camera| Some(count(camera.reads))),
    );
    out.family("pintle_camera_hits_total", "counter", "Hits since the start.", &of(&|camera| Some(count(camera.hits))));
    let last = of(&|camera| seconds(camera.last_read.as_ref()?));
    out.family("pintle_camera_last_read_timestamp_seconds", "gauge", "When the last read was accepted.", &last);
}

/// A kind of refusal that has not come has no sample yet.
fn intake(out: &mut Metrics, body: &HealthBody) {
    let Some(intake) = &body.intake else { return };
    let mut counter = |name: &str, help: &str, n: u64| {
        out.family(name, "counter", help, &[(String::new(), count(n))]);
    };
    counter("pintle_intake_accepted_total", "Requests and spool files accepted since the start.", intake.accepted);
    counter("pintle_intake_id_conflicts_total", "Reads with the id of an earlier one.", intake.id_conflicts);
    let help = "Refused spool files that were let go before their time.";
    counter("pintle_intake_refused_files_dropped_total", help, intake.refused_dropped);
    let refused = intake.refused.iter().map(|(kind, n)| (format!("reason=\"{}\"", label(kind)), count(*n)));
    let help = "Requests and spool files refused since the start.";
    out.family("pintle_intake_refused_total", "counter", help, &refused.collect::<Vec<_>>());
    let spool = intake.spool.as_ref().map(|spool| (String::new(), flag(spool == "watched")));
    let help = "1 while the spool folder is watched; no sample if none is configured.";
    out.family("pintle_intake_spool_watched", "gauge", help, &spool.into_iter().collect::<Vec<_>>());
}

/// What is unknown has no sample: a missing one can be asked for, a wrong one cannot be told.
fn inputs(out: &mut Metrics, body: &HealthBody) {
    let known = body.inputs.iter().filter(|input| input.state != "unknown");
    let samples: Vec<(String, String)> =
        known.map(|input| (format!("input=\"{}\"", label(&input.kind)), flag(input.state == "safe"))).collect();
    let help = "1 if the switch says that the trailer may be moved; no sample while that is unknown.";
    if !body.inputs.is_empty() {
        out.family("pintle_input_safe", "gauge", help, &samples);
    }
}

fn computer(out: &mut Metrics, body: &HealthBody) {
    let computer = &body.computer;
    let mut tell = |name: &str, help: &str, value: Option<String>| {
        if let Some(value) = value {
            out.gauge(name, help, value);
        }
    };
    tell("pintle_clock_trusted", "1 if somebody has confirmed the time.", Some(flag(computer.clock_trust != "unset")));
    tell("pintle_clock_offset_seconds", "Host UTC less GPS UTC.", computer.clock_offset_ms.map(thousandths));
    let feed = computer.clock_feed.as_deref();
    tell("pintle_clock_feed_given", "1 while chrony takes the GPS time.", feed.map(|feed| flag(feed == "given")));
    tell("pintle_host_load1", "Runnable tasks, one minute.", computer.load1.map(|load| load.to_string()));
    tell("pintle_host_memory_bytes", "Memory in all.", computer.memory_bytes.map(count));
    tell("pintle_host_memory_free_bytes", "Memory that can be had.", computer.memory_free_bytes.map(count));
    tell("pintle_own_memory_bytes", "Memory that the agent holds.", computer.own_bytes.map(count));
    tell("pintle_host_temperature_celsius", "The hottest sensor.", computer.temperature_c.map(|c| c.to_string()));
    tell("pintle_host_uptime_seconds", "Since the start of the computer.", computer.uptime_s.map(count));
}

struct Metrics {
    text: String,
    trailer: String,
}

impl Metrics {
    fn gauge(&mut self, name: &str, help: &str, value: String) {
        self.family(name, "gauge", help, &[(String::new(), value)]);
    }

    fn time(&mut self, name: &str, help: &str, time: Option<&String>) {
        if let Some(value) = time.and_then(seconds) {
            self.gauge(name, help, value);
        }
    }

    fn family(&mut self, name: &str, kind: &str, help: &str, samples: &[(String, String)]) {
        if samples.is_empty() {
            return;
        }
        // Writing into a string can't fail.
        let _infallible = write!(self.text, "# HELP {name} {help}\n# TYPE {name} {kind}\n");
        for (labels, value) in samples {
            let comma = if labels.is_empty() { "" } else { "," };
            let _infallible = writeln!(self.text, "{name}{{trailer=\"{}\"{comma}{labels}}} {value}", self.trailer);
        }
    }
}

fn seconds(time: impl AsRef<str>) -> Option<String> {
    Utc::parse_rfc3339(time.as_ref()).map(|at| thousandths(at.0))
}

fn thousandths(ms: i64) -> String {
    let sign = if ms < 0 { "-" } else { "" };
    format!("{sign}{}.{:03}", ms.unsigned_abs() / 1000, ms.unsigned_abs() % 1000)
}

fn count(n: u64) -> String {
    n.to_string()
}

fn flag(holds: bool) -> String {
    u8::from(holds).to_string()
}

/// A label value. Source of the three escapes: Prometheus text exposition format 0.0.4.
fn label(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}
