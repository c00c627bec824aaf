"""The pipe between the page and the house."""

from __future__ import annotations

import os
import threading
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO

import msgspec
import pytest

from residue.page.link import HouseAnswer, HouseGoneError, Link, PageStart, Question

START = PageStart(listen="127.0.0.1", port=8080, metrics=False, networks=(), names=(), key=None, day_line=(), report=())


def test_every_thread_gets_its_own_answer_and_the_end_is_noticed() -> None:
    asked_end, asking_end = os.pipe()
    answers_end, answering_end = os.pipe()
    gone = threading.Event()
    questions, answers = os.fdopen(asking_end, "wb", buffering=0), os.fdopen(answers_end, "rb")
    link = Link(questions, answers, gone.set)

    def house() -> None:
        with os.fdopen(asked_end, "rb") as asked, os.fdopen(answering_end, "wb", buffering=0) as answering:
            answering.write(msgspec.json.encode(START) + b"\n")
            for _ in range(60):
                question = msgspec.json.decode(asked.readline(), type=Question)
                answering.write(msgspec.json.encode(HouseAnswer(wrong=question.text)) + b"\n")

    thread = threading.Thread(target=house)
    thread.start()
    assert link.begin() == START
    with ThreadPoolExecutor(6) as several:
        said = list(several.map(lambda n: link.ask(Question(ask="status", text=str(n))).wrong, range(60)))
    assert said == [str(n) for n in range(60)]
    thread.join()
    assert gone.wait(100)
    with pytest.raises(HouseGoneError):
        link.ask(Question(ask="status"))
    questions.close()
    answers.close()


def test_a_house_that_ends_before_it_said_anything() -> None:
    answers_end, answering_end = os.pipe()
    os.close(answering_end)
    with os.fdopen(answers_end, "rb") as answers, pytest.raises(HouseGoneError):
        Link(BytesIO(), answers, lambda: None).begin()
