# Writes surveillance_epir.csv with the package epiR: Rscript surveillance_epir.R > surveillance_epir.csv
suppressMessages(library(epiR))

calls <- c(
  "rsu.sep.rs(N, n, pstar, se.u)", "rsu.sssep.rs(N, pstar, se.p, se.u)", "rsu.pstar(N, n, se.p, se.u)",
  "rsu.sep.rsfreecalc(N, n, c, pstar = d / N, se.u, sp.u)", "rsu.spp.rs(N, n, c, sp.u)",
  "rsu.sspfree.rs(N, prior, p.intro, pstar, pfree, se.u)", "rsu.pfree.rs(se.p, p.intro, prior)$PFree",
  "rsu.pfree.equ(se.p, p.intro)$epfree and $depfree", "epi.herdtest(se, sp, P, N, n, k = c)$dbinom$HSp",
  "rsu.sssep.rsfreecalc(N, pstar, mse.p, msp.p, se.u, sp.u)$summary"
)
cat("# epiR", as.character(packageVersion("epiR")), "on", paste0(R.version.string, "\n"))
for (call in calls) cat("#", paste0(call, "\n"))
cat("call,N,n,c,pstar,se,sp,prior,intro,wanted,value,second\n")

row <- function(call, N = NA, n = NA, c = NA, pstar = NA, se = NA, sp = NA, prior = NA, intro = NA,
                wanted = NA, value, second = NA) {
  numbers <- list(N, n, c, pstar, se, sp, prior, intro, wanted, value, second)
  texts <- vapply(numbers, function(x) if (is.na(x)) "" else trimws(formatC(x, digits = 12, format = "g")), "")
  cat(call, texts, sep = ",")
  cat("\n")
}

for (N in c(NA, 20, 50, 110, 400)) for (n in c(5, 20)) for (pstar in c(0.02, 0.1, 0.35)) for (se in c(0.3, 0.7, 1)) {
  row("rsu.sep.rs", N, n, pstar = pstar, se = se, value = rsu.sep.rs(N = N, n = n, pstar = pstar, se.u = se))
}
for (N in c(NA, 60, 110, 1000)) for (pstar in c(0.02, 0.1, 0.35)) for (se in c(0.5, 0.9, 1)) for (wanted in c(0.5, 0.95)) {
  row("rsu.sssep.rs", N, pstar = pstar, se = se, wanted = wanted,
      value = rsu.sssep.rs(N = N, pstar = pstar, se.p = wanted, se.u = se))
}
for (N in c(NA, 50, 400)) for (n in c(10, 40)) for (se in c(0.5, 0.98)) for (wanted in c(0.8, 0.95)) {
  row("rsu.pstar", N, n, se = se, wanted = wanted, value = rsu.pstar(N = N, n = n, se.p = wanted, se.u = se))
}
for (N in c(20, 65, 150)) for (n in c(5, 20)) for (c in c(1, 2, 4)) for (d in c(1, 3, 12)) {
  for (se in c(0.4, 0.9)) for (sp in c(0.95, 1)) {
    row("rsu.sep.rsfreecalc", N, n, c, pstar = d, se = se, sp = sp,
        value = rsu.sep.rsfreecalc(N = N, n = n, c = c, pstar = d / N, se.u = se, sp.u = sp))
  }
}
for (n in c(5, 20, 60)) for (c in c(1, 3)) for (pstar in c(0.05, 0.3)) for (se in c(0.4, 0.9)) for (sp in c(0.95, 1)) {
  row("rsu.sep.rsfreecalc", NA, n, c, pstar, se, sp,
      value = rsu.sep.rsfreecalc(N = NA, n = n, c = c, pstar = pstar, se.u = se, sp.u = sp))
}
for (n in c(5, 30, 60)) for (c in c(1, 3, 6)) for (sp in c(0.9, 0.98)) {
  row("rsu.spp.rs", NA, n, c, sp = sp, value = rsu.spp.rs(N = NA, n = n, c = c, sp.u = sp))
  # a population in which the misjudged ones are a whole number
  row("rsu.spp.rs", 150, n, c, sp = sp, value = rsu.spp.rs(N = 150, n = n, c = c, sp.u = sp))
  row("epi.herdtest", 1e6, n, c, sp = sp,
      value = epi.herdtest(se = 0.9, sp = sp, P = 0.1, N = 1e6, n = n, k = c)$dbinom$HSp)
}
for (N in c(NA, 1000)) for (prior in c(0.3, 0.75)) for (intro in c(0.01, 0.1)) for (wanted in c(0.9, 0.95)) {
  found <- rsu.sspfree.rs(N = N, prior = prior, p.intro = intro, pstar = 0.03, pfree = wanted, se.u = 0.8)
  row("rsu.sspfree.rs", N, pstar = 0.03, se = 0.8, prior = prior, intro = intro, wanted = wanted,
      value = found$n, second = found$se.p)
}
for (se in c(0.1, 0.3, 0.8)) for (prior in c(0.1, 0.5, 0.9)) for (intro in c(0, 0.01, 0.08)) for (n in c(1, 2, 12)) {
  row("rsu.pfree.rs", n = n, se = se, prior = prior, intro = intro,
      value = rsu.pfree.rs(se.p = rep(se, n), p.intro = rep(intro, n), prior = prior, by.time = TRUE)$PFree[1, n])
}
for (se in c(0.1, 0.3, 0.8)) for (intro in c(0.01, 0.08)) {
  found <- rsu.pfree.equ(se.p = se, p.intro = intro)
  row("rsu.pfree.equ", se = se, intro = intro, value = found$epfree, second = found$depfree)
}
for (N in c(150, 300, 5000)) for (pstar in c(0.06, 0.1)) {
  found <- rsu.sssep.rsfreecalc(N = N, pstar = pstar, mse.p = 0.95, msp.p = 0.95, se.u = 0.95, sp.u = 0.98,
                                method = "hypergeometric", max.ss = 1000)$summary
  # value and second: what the package says the sample of n with this cut-off comes to
  row("rsu.sssep.rsfreecalc", N, found$n, found$c, pstar = round(pstar * N), se = 0.95, sp = 0.98, wanted = 0.95,
      value = found$se.p, second = found$sp.p)
}
