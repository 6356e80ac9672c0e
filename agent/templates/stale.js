(function () {
  var body = document.body, written = Date.parse(body.dataset.written), until = Date.parse(body.dataset.until);
  if (location.protocol === "file:") {
    var look = function () {
      var now = Date.now();
      if (!(now <= until)) body.classList.add("is-stale");
      if (now < written - 60000) {
        body.classList.add("is-stale");
        document.getElementById("strip").textContent = "Clock fault: this says that it was written in the future.";
      }
    };
    look();
    setInterval(look, 1000);
  } else {
    setInterval(function () {
      fetch(location.href, {cache: "no-store"}).then(function (answer) { if (answer.ok) location.reload(); }, function () {});
    }, 15000);
  }
})();
