(function () {
  var body = document.body, written = Date.parse(body.dataset.written), until = Date.parse(body.dataset.until), ahead = 0;
  var look = function () {
    var now = Date.now() + ahead;
    if (!(now <= until)) body.classList.add("is-stale");
    if (now < written - 60000) {
      body.classList.add("is-stale");
      document.getElementById("strip").textContent = "Clock fault: this says that it was written in the future.";
    }
  };
  // What a person has begun to write or has unfolded is not taken away by loading again.
  var opened = function () { return document.querySelectorAll("details[open]").length; }, first = opened();
  var busy = function () {
    return document.querySelector("form:focus-within") || opened() !== first ||
      [].some.call(document.querySelectorAll("input"), function (one) { return one.value !== one.defaultValue; });
  };
  if (location.protocol === "file:") {
    look();
    setInterval(look, 1000);
  } else {
    setInterval(function () {
      fetch(location.href, {method: "HEAD", cache: "no-store"}).then(function (answer) {
        var server = Date.parse(answer.headers.get("date"));
        if (!isNaN(server)) { ahead = server - Date.now(); look(); }
        if (answer.ok && !answer.redirected && !busy()) location.reload();
      }, look);
    }, 15000);
  }
})();
