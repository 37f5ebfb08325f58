"""Every address of the site: sign-in here, the rest with its audience."""

from django.contrib.auth import views as auth
from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", auth.LoginView.as_view(redirect_authenticated_user=True), name="login"),
    path("sign-out/", auth.LogoutView.as_view(), name="logout"),
    path("password/", auth.PasswordChangeView.as_view(), name="password_change"),
    path("password/done/", auth.PasswordChangeDoneView.as_view(), name="password_change_done"),
    path("", include("resupply.web.urls")),
]
handler500 = "clinic.errors.server_error"
