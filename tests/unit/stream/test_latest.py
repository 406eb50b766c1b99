from acq.stream.latest import Latest


def test_the_newest_is_taken_once_and_what_it_replaced_is_counted() -> None:
    latest: Latest[int] = Latest()
    assert latest.get() is None
    for item in range(5):
        latest.put(item)
    assert latest.get() == 4
    assert latest.get() is None
    assert latest.overwritten_count == 4
    latest.put(5)
    assert latest.get() == 5
    assert latest.overwritten_count == 4


def test_a_false_item_is_an_item() -> None:
    latest: Latest[int] = Latest()
    latest.put(0)
    latest.put(0)
    assert latest.overwritten_count == 1
    assert latest.get() == 0
