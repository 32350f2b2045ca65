"""What only a trainee hears: why a step is done, what good and bad look like, a question, and a summary at the end."""

from assistant.engine import events as e
from assistant.engine.intents import Intent
from assistant.engine.turn import Turn
from assistant.procedure.model import Quiz


def say_reasons(turn: Turn) -> None:
    """Why, and what good and bad look like."""
    here = turn.here
    for key, words in (("why", here.step.why), ("good", here.step.good), ("bad", here.step.bad)):
        if words:
            turn.say(key, text=here.text(words))


def choices(quiz: Quiz) -> tuple[str, ...]:
    """All answers, in an order that does not give the right one away."""
    return tuple(sorted([quiz.right, *quiz.wrong]))


def say_quiz(turn: Turn, quiz: Quiz) -> None:
    turn.say("ask_quiz", ask=turn.here.text(quiz.ask), choices=choices(quiz))


def take_quiz(turn: Turn, question: e.Question, intent: Intent) -> None:
    """Judge a trainee's answer, and say why."""
    planned = turn.plan.by_key[question.step]
    quiz = planned.step.quiz
    if quiz is None or intent.choice not in choices(quiz):
        return
    right = intent.choice == quiz.right
    turn.record(e.QuizAnswered(question.step, planned.text(quiz.ask), intent.choice, right))
    turn.say("quiz_right" if right else "quiz_wrong", right=quiz.right)
    turn.say("because", text=planned.text(quiz.because))


def say_summary(turn: Turn) -> None:
    """At the end, for a trainee."""
    training = turn.state.training
    asked = training.right + training.wrong
    if not turn.state.full_detail:
        return
    if asked:
        turn.say("training_questions", right=training.right, asked=asked)
    turn.say("training_summary", repeats=training.repeats, misses=training.misses)
