"""What listeners would keep: a form, none of them, or no answer, which are three things."""

from pathlib import Path

from reports.facts.kept_answers import kept_answers
from sessions.records import RoundAnswers
from tests.panels import fill, panel


def test_a_form_none_of_them_and_no_answer_are_three_things(tmp_path: Path) -> None:
    study = panel(tmp_path / "study", 4, rounds=1)
    rounds = {}
    log = study.log
    forms = [form.id for form in study.register(study.manifest)]
    for listener in study.song.listeners:
        round_id = log.start_round(listener.name, 1, forms, study.manifest.set_id)
        sitting = log.sit_down(listener.name, "headphones", "page")
        listens = {}
        for position, form in enumerate(forms, 1):
            code = log.reserve_code(round_id, form)
            listens[form] = log.start_listen(round_id, sitting, form, position, code, 1000)
            log.end_listen(listens[form], 1000)
            log.rate(listens[form], {"overall": 50})
        rounds[listener.name] = (round_id, listens)
    kept = dict.fromkeys(list(rounds)[:2], "form") | {list(rounds)[2]: "none"}
    for name, (round_id, listens) in rounds.items():
        if name in kept:
            listen = listens[forms[2]] if kept[name] == "form" else None
            log.answer_round(round_id, RoundAnswers((), kept[name], listen))  # type: ignore[arg-type]
        log.end_round(round_id, complete=True)
    names = {form.id: form.name for form in log.contents().forms}
    found = kept_answers(log.contents(), names)
    assert found.forms == {names[forms[2]]: 2} and (found.none, found.unanswered, found.answered) == (1, 1, 3)
    assert f'"{names[forms[2]]}" in 2 of 3 rounds, none of them in 1; 1 without an answer' in found.sentence


def test_nobody_was_asked(tmp_path: Path) -> None:
    study = panel(tmp_path / "study", 1, rounds=1)
    fill(study, last=1)
    found = kept_answers(study.log.contents(), {})
    assert found.sentence == "" and found.unanswered == 1
