//! Single steps of the lease, by hand.

use std::time::Duration;

use super::*;

const TERM: Duration = Duration::from_secs(10);

fn at(seconds: f64) -> Uptime {
    Uptime::from_nanos((seconds * 1e9) as u64)
}

fn standby(name: &str) -> Standby {
    let settings = StandbySettings { term: TERM, preferred: false, alone: Alone::Stop, has_peer: true };
    Standby::new(settings, name, 1, at(0.0))
}

/// Lets everything it says come back at once, until `end`.
fn run(lease: &mut Standby, from: f64, end: f64) {
    let mut now = from;
    while now < end {
        lease.tick(at(now));
        echo(lease, now);
        now += 0.5;
    }
}

fn echo(lease: &mut Standby, now: f64) -> Vec<Sign> {
    let mut said = Vec::new();
    for order in lease.orders() {
        if let Order::Publish { sign, .. } = order {
            lease.heard(at(now), &sign, false);
            said.push(sign);
        }
    }
    said
}

fn sign(epoch: u64, name: &str, what: What) -> Sign {
    Sign { rank: Rank::new(epoch, name, 1), number: 1, what }
}

fn holding(name: &str) -> Standby {
    let mut lease = standby(name);
    lease.linked(at(0.0));
    run(&mut lease, 0.0, 21.0);
    assert!(at(21.0) < lease.polls_until(), "{lease:?}");
    lease
}

#[test]
fn begins_after_two_terms_of_silence_and_not_before() {
    let mut lease = standby("box-1");
    lease.linked(at(0.0));
    run(&mut lease, 0.0, 20.0);
    assert_eq!(lease.polls_until(), at(0.0));
    run(&mut lease, 20.0, 21.0);
    assert!(at(21.0) < lease.polls_until());
    assert_eq!(lease.events(), [Event::TookOver { from: None, silent: Duration::from_secs(20) }]);
}

#[test]
fn what_does_not_come_back_does_not_count() {
    let mut lease = standby("box-1");
    lease.linked(at(0.0));
    for half in 0..200 {
        lease.tick(at(f64::from(half) / 2.0));
        lease.orders();
        assert_eq!(lease.polls_until(), at(0.0), "it has heard nothing of its own");
    }
}

#[test]
fn stops_a_term_after_the_last_renewal_that_came_back() {
    let mut lease = holding("box-1");
    lease.unlinked();
    let until = lease.polls_until();
    assert!(until <= at(31.0), "{until:?}");
    lease.tick(at(31.0));
    assert_eq!(lease.events().last(), Some(&Event::CutOff));
    // Back at the broker it may not just go on: the other may have begun.
    lease.linked(at(32.0));
    run(&mut lease, 32.0, 51.5);
    assert_eq!(lease.polls_until(), at(0.0));
    run(&mut lease, 51.5, 53.0);
    assert!(at(53.0) < lease.polls_until());
}

#[test]
fn goes_on_alone_only_where_that_was_asked_for() {
    let mut lease = holding("box-1");
    lease.settings.alone = Alone::Poll;
    lease.unlinked();
    lease.tick(at(1000.0));
    assert!(at(1000.0) < lease.polls_until());
    // Until it hears of the other.
    lease.linked(at(1001.0));
    lease.heard(at(1001.0), &sign(2, "box-2", What::Holding), true);
    assert_eq!(lease.polls_until(), at(0.0));
}

#[test]
fn the_peer_gives_a_further_term_while_the_broker_is_away() {
    let (mut first, mut second) = (holding("box-1"), standby("box-2"));
    first.unlinked();
    second.linked(at(20.5));
    let mut now = 21.0;
    while now < 300.0 {
        first.tick(at(now));
        second.tick(at(now));
        for order in first.orders() {
            let Order::Ask(question) = order else { panic!("nothing is said to a broker that is away") };
            let answer = second.question(at(now + 0.1), &question);
            assert!(answer.grants && !answer.polls, "{answer:?}");
            first.answered(at(now + 0.2), &answer);
        }
        assert!(at(now) < first.polls_until());
        assert_eq!(second.polls_until(), at(0.0));
        now += 0.5;
    }
}

#[test]
fn who_claims_grants_nothing() {
    let mut claiming = standby("box-2");
    claiming.linked(at(0.0));
    claiming.tick(at(10.0));
    let question = Question { rank: Rank::new(0, "box-1", 1), number: 7 };
    let answer = claiming.question(at(11.0), &question);
    assert!(!answer.grants, "{answer:?}");
    assert_eq!(answer.rank.map(|rank| rank.epoch), Some(1));
}

#[test]
fn an_answer_to_another_question_counts_for_nothing() {
    let mut lease = holding("box-1");
    lease.unlinked();
    let until = lease.polls_until();
    let answer = Answer { number: 999, name: "box-2".into(), grants: true, polls: false, rank: None };
    lease.answered(at(22.0), &answer);
    assert_eq!(lease.polls_until(), until);
}

#[test]
fn the_greater_claim_wins_and_the_other_counts_nothing_any_more() {
    let mut lease = holding("box-1");
    lease.send_at = at(21.0);
    lease.tick(at(21.0));
    lease.heard(at(21.5), &sign(2, "box-2", What::Claiming), false);
    assert_eq!(lease.polls_until(), at(0.0));
    echo(&mut lease, 22.0);
    assert_eq!(lease.polls_until(), at(0.0), "a renewal that came back behind the claim");
    assert_eq!(lease.events().last(), Some(&Event::LostTo { name: "box-2".into() }));
    // In one epoch the name decides, whoever was first.
    for (name, stays) in [("box-0", true), ("box-2", false)] {
        let mut lease = holding("box-1");
        lease.heard(at(21.0), &sign(1, name, What::Claiming), false);
        assert_eq!(at(21.0) < lease.polls_until(), stays, "{name}");
    }
}

#[test]
fn a_line_that_was_let_go_is_taken_at_once_and_what_the_broker_kept_is_not() {
    for (retained, to, takes) in [
        (false, None, true),
        (false, Some("box-2"), true),
        (false, Some("box-3"), false),
        (true, None, false),
    ] {
        let mut lease = standby("box-2");
        lease.linked(at(0.0));
        let let_go = sign(5, "box-1", What::Released { to: to.map(str::to_owned) });
        lease.heard(at(1.0), &let_go, retained);
        echo(&mut lease, 1.1);
        assert_eq!(at(1.1) < lease.polls_until(), takes, "{retained} {to:?}");
        if takes {
            assert_eq!(lease.events(), [Event::HandedToUs { from: Some("box-1".into()) }]);
        }
    }
}

#[test]
fn hands_over_when_the_preferred_one_asks_and_only_after_the_line_is_free() {
    let mut lease = holding("box-1");
    lease.heard(at(21.0), &sign(1, "box-2", What::Asking), false);
    assert_eq!(lease.polls_until(), at(0.0));
    assert!(lease.is_handing_over());
    lease.tick(at(22.0));
    assert!(echo(&mut lease, 22.0).iter().all(|sign| !matches!(sign.what, What::Released { .. })));
    lease.let_go(at(22.5));
    let said = echo(&mut lease, 22.5);
    assert_eq!(said[0].what, What::Released { to: Some("box-2".into()) });
    assert_eq!(lease.events().last(), Some(&Event::HandingOver { to: Some("box-2".into()) }));
}

#[test]
fn only_the_preferred_one_asks_and_only_once_it_has_settled() {
    for preferred in [false, true] {
        let mut lease = standby("box-2");
        lease.settings.preferred = preferred;
        lease.linked(at(0.0));
        let mut asked = None;
        for second in 0..60 {
            lease.heard(at(f64::from(second)), &sign(3, "box-1", What::Holding), false);
            lease.tick(at(f64::from(second)));
            let asks = lease
                .orders()
                .iter()
                .any(|order| matches!(order, Order::Publish { sign, .. } if sign.what == What::Asking));
            asked = asked.or(asks.then_some(second));
        }
        assert_eq!(asked, preferred.then_some(30));
    }
}

#[test]
fn another_box_of_the_same_name_is_told() {
    let mut lease = holding("box-1");
    assert!(!lease.stand(at(21.0)).twin);
    let mut copy = sign(0, "box-1", What::Standing);
    copy.rank.run = 2;
    lease.heard(at(21.0), &copy, true);
    assert!(!lease.stand(at(21.0)).twin, "what was kept may be of its own former run");
    lease.heard(at(21.0), &copy, false);
    assert!(lease.stand(at(21.0)).twin);
}

#[test]
fn what_is_said_reads_as_it_was_written() {
    let whats = [
        What::Holding,
        What::Claiming,
        What::Released { to: Some("box-2".into()) },
        What::Standing,
        What::Asking,
    ];
    for what in whats {
        let sign = sign(7, "box-1", what);
        let text = serde_json::to_string(&sign).unwrap();
        assert_eq!(serde_json::from_str::<Sign>(&text).unwrap(), sign, "{text}");
    }
}
