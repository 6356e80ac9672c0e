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
  if (location.protocol === "file:") {
    look();
    setInterval(look, 1000);
  } else {
    setInterval(function () {
      fetch(location.href, {method: "HEAD", cache: "no-store"}).then(function (answer) {
        var server = Date.parse(answer.headers.get("date"));
        if (!isNaN(server)) { ahead = server - Date.now(); look(); }
        if (answer.ok && !document.querySelector("form:focus-within, details[open]")) location.reload();
      }, look);
    }, 15000);
  }
})();
